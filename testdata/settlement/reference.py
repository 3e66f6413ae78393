#!/usr/bin/env python3
"""A second implementation of the settlement rules, to be compared with actions/settle figure by figure.

It shares no code and no method with the first: every reading is spread over minutes, in whole numbers of a unit small
enough for that to be exact, minutes are labelled with the local date and clock by pandas, and all sums are numpy sums of
minutes. Only means, ratios and money use fractions.

usage: reference.py CASES        reads a JSON list of cases, prints the JSON list of their results.

A case: {"file", "column", "minutes" (of an interval), "zone", "windows": [{"id", "start", "end"}], "terms": {...},
"direction", "holidays": [dates], "leave_out": [dates]}. The file is CSV with the columns start (UTC) and column (kWh).
"""
import json
import sys
from decimal import ROUND_HALF_EVEN, Decimal
from fractions import Fraction

import numpy as np
import pandas as pd

UNIT = 60 * 10**9  # to the kWh: nine decimals, spread over any number of minutes that divides the hour
CACHE = {}


def load(file, column, minutes, zone):
    """Energy per minute, whether the minute is metered, and its local date and clock, from the first reading on."""
    key = (file, column, minutes, zone)
    if key in CACHE:
        return CACHE[key]
    rows = pd.read_csv(file, dtype=str)
    rows["at"] = pd.to_datetime(rows["start"], utc=True)
    rows = rows.drop_duplicates(["at", column]).dropna(subset=[column])
    rows = rows[~rows["at"].duplicated(keep=False)].sort_values("at")
    first, last = rows["at"].iloc[0], rows["at"].iloc[-1] + pd.Timedelta(minutes=minutes)
    index = pd.date_range(first, last, freq="min", inclusive="left")
    energy = np.zeros(len(index), dtype=np.int64)
    known = np.zeros(len(index), dtype=bool)
    places = ((rows["at"] - first) // pd.Timedelta(minutes=1)).to_numpy()
    for place, text in zip(places, rows[column]):
        whole = Decimal(text) * UNIT / minutes
        assert whole == int(whole), text
        energy[place:place + minutes] = int(whole)
        known[place:place + minutes] = True
    local = index.tz_convert(zone)
    wall = local.tz_localize(None)
    day = (wall.normalize() - pd.Timestamp("1970-01-01")).days.to_numpy()
    clock = (wall.hour * 60 + wall.minute).to_numpy()
    CACHE[key] = (first, energy, known, day, clock)
    return CACHE[key]


class Settlement:
    def __init__(self, case):
        self.case = case
        self.terms = case["terms"]
        self.zone = case["zone"]
        self.first, self.energy, self.known, self.day, self.clock = load(case["file"], case["column"], case["minutes"], self.zone)
        self.windows = [(w["id"], pd.Timestamp(w["start"]), pd.Timestamp(w["end"])) for w in case["windows"]]
        self.holidays = {self.number(d) for d in case["holidays"]}
        self.left_out = {self.number(d) for d in case["leave_out"]}
        # where each local minute stands, for those that come once
        label = pd.Series(np.arange(len(self.day)), index=self.day.astype(np.int64) * 1440 + self.clock)
        self.once = label[~label.index.duplicated(keep=False)].to_dict()

    @staticmethod
    def number(date):
        return (pd.Timestamp(date) - pd.Timestamp("1970-01-01")).days

    def place(self, at):
        return int((at - self.first) // pd.Timedelta(minutes=1))

    def local(self, at):
        wall = at.tz_convert(self.zone).tz_localize(None)
        return self.number(wall.normalize()), wall.hour * 60 + wall.minute

    def dates(self, start, end):
        """The local dates that [start, end) touches."""
        a, b = self.local(start)[0], self.local(end - pd.Timedelta(seconds=1))[0]
        return range(a, b + 1)

    def midnight(self, day):
        wall = pd.Timestamp("1970-01-01") + pd.Timedelta(days=int(day))
        return wall.tz_localize(self.zone).tz_convert("UTC")

    def workday(self, day):
        return (day + 3) % 7 < 5 and day not in self.holidays  # 1970-01-01 was a Thursday

    def like(self, day, own):
        kind = self.terms["like"]
        if kind == "every":
            return True
        if kind == "weekday":
            return day % 7 == own % 7
        return self.workday(day) == self.workday(own)

    def eligible(self, day, own, ident):
        if not self.like(day, own) or day in self.left_out:
            return False
        if any(day in self.dates(s, e) for i, s, e in self.windows if i != ident and e > s):
            return False
        a, b = self.midnight(day), self.midnight(day + 1)
        if b - a != pd.Timedelta(days=1):
            return False
        i, j = self.place(a), self.place(b)
        return i >= 0 and j <= len(self.known) and bool(self.known[i:j].all())

    def moved(self, start, end, days):
        """Places of the minutes of [start, end) so many days away at the same local clock, or None."""
        out = []
        for at in pd.date_range(start, end, freq="min", inclusive="left"):
            day, clock = self.local(at)
            place = self.once.get((day + days) * 1440 + clock)
            if place is None or not self.known[place]:
                return None
            out.append(place)
        return np.array(out)

    def disturbed(self, places, ident):
        """Whether another window lies in any of the minutes."""
        for i, s, e in self.windows:
            if i != ident and e > s and ((places >= self.place(s)) & (places < self.place(e))).any():
                return True
        return False

    def slots(self, start, end):
        step = pd.Timedelta(minutes=self.case["minutes"])
        grid = self.first + ((start - self.first) // step) * step
        while grid < end:
            yield max(grid, start), min(grid + step, end)
            grid += step

    def metered(self, start, end):
        i, j = self.place(start), self.place(end)
        if i < 0 or j > len(self.known) or not self.known[i:j].all():
            return None
        return int(self.energy[i:j].sum())

    def settle(self, ident, start, end):
        t, own = self.terms, self.local(start)[0]
        slots = list(self.slots(start, end))
        wanted = t["days"] if t["like"] != "workday" or self.workday(own) else t["days_off"]
        found = []
        for day in range(own - 1, own - t["look_back"] - 1, -1):
            if len(found) == wanted:
                break
            if not self.eligible(day, own, ident):
                continue
            parts = [self.moved(a, b, day - own) for a, b in slots]
            if any(p is None or self.disturbed(p, ident) for p in parts):
                continue
            found.append((day, [int(self.energy[p].sum()) for p in parts]))
        kept, baseline = self.average(found)
        if baseline is not None:
            baseline = self.adjust(baseline, kept, slots, start, own)
            baseline = [max(Fraction(0), b) for b in baseline]
        return self.result(ident, start, end, slots, kept, baseline)

    def average(self, found):
        t = self.terms
        if len(found) < t["fewest"] or not found:
            return found, None
        kept = found
        if t["pick"] != "all" and len(found) > t["keep"]:
            drop = len(found) - t["keep"]
            if t["pick"] == "highest":
                kept = sorted(found, key=lambda f: (-sum(f[1]), -f[0]))[:t["keep"]]
            else:
                rising = sorted(found, key=lambda f: (sum(f[1]), -f[0]))
                low = drop // 2 if t["pick"] == "middle" else 0
                kept = rising[low:low + t["keep"]]
            kept = sorted(kept, reverse=True)
        matrix = np.array([energies for _, energies in kept])
        return kept, [Fraction(int(total), len(kept)) for total in matrix.sum(axis=0)]

    def adjust(self, baseline, kept, slots, start, own):
        t = self.terms
        if t["adjust"] == "none":
            return baseline
        a, b = start - pd.Timedelta(minutes=t["adjust_from"]), start - pd.Timedelta(minutes=t["adjust_to"])
        used = self.metered(a, b)
        places = [self.moved(a, b, day - own) for day, _ in kept]
        if used is None or any(p is None for p in places):
            return baseline
        usual = Fraction(sum(int(self.energy[p].sum()) for p in places), len(kept))
        if usual <= 0:
            return baseline
        if t["adjust"] == "add":
            intervals = Fraction(int((b - a) / pd.Timedelta(minutes=1)), self.case["minutes"])
            each = (used - usual) / intervals
            share = [Fraction(int((e - s) / pd.Timedelta(minutes=1)), self.case["minutes"]) for s, e in slots]
            return [x + each * f for x, f in zip(baseline, share)]
        cap = Fraction(t["adjust_cap"])
        ratio = min(max(used / usual, 1 - cap), 1 + cap)
        return [x * ratio for x in baseline]

    def result(self, ident, start, end, slots, kept, baseline):
        t, sign = self.terms, 1 if self.case["direction"] == "turn-up" else -1
        out, gains = [], []
        for i, (a, b) in enumerate(slots):
            used = self.metered(a, b)
            gain = None
            if used is not None and baseline is not None:
                gain = sign * (used - baseline[i])
                if t["floor"] == "interval":
                    gain = max(Fraction(0), gain)
            gains.append(gain)
            out.append({"start": self.stamp(a), "end": self.stamp(b), "metered_kwh": self.kwh(used),
                        "baseline_kwh": self.kwh(baseline[i] if baseline is not None else None), "gain_kwh": self.kwh(gain)})
        total = None if any(g is None for g in gains) else sum(gains, Fraction(0))
        if total is not None and t["floor"] == "window":
            total = max(Fraction(0), total)
        days = [(pd.Timestamp("1970-01-01") + pd.Timedelta(days=int(d))).strftime("%Y-%m-%d") for d, _ in kept]
        return {"id": ident, "days": days, "slots": out, "gain_kwh": self.kwh(total), "credit": self.credit(total),
                "expected_by": self.stamp(end + pd.Timedelta(minutes=t["credit_after"]))}

    def credit(self, total):
        if total is None:
            return None
        exact = total / UNIT * Fraction(self.terms["rate"]) * 100
        # Decimal rounds a quotient of integers to even at a tie only if it has all its digits, so the tie is found here.
        whole, rest = divmod(exact, 1)
        if rest > Fraction(1, 2) or rest == Fraction(1, 2) and whole % 2:
            whole += 1
        return str((Decimal(int(whole)) / 100).quantize(Decimal("0.01"), ROUND_HALF_EVEN))

    @staticmethod
    def kwh(x):
        return None if x is None else float(Fraction(x) / UNIT)

    @staticmethod
    def stamp(at):
        return at.strftime("%Y-%m-%dT%H:%M:%SZ")


def main():
    results = []
    for case in json.load(open(sys.argv[1], encoding="utf-8")):
        s = Settlement(case)
        wanted = set(case["settle"])
        results.append([s.settle(i, a, b) for i, a, b in s.windows if i in wanted])
    json.dump(results, sys.stdout)


main()
