#!/usr/bin/env python3
"""Writes random calendars with the occurrences that recurring-ical-events finds in them, a JSON object a line.

usage: calendars.py [--seed N] [--random N] > calendars.jsonl

Needs Debian's python3-icalendar, python3-recurring-ical-events and python3-dateutil. The calendars keep to what RFC 5545
is plain on: each DTSTART matches its rule, nothing happens in the hours of a clock change, a DURATION has whole days or
stays within one.
"""
import argparse
import datetime
import itertools
import json
import random

import icalendar
import pytz
import recurring_ical_events
from dateutil.rrule import rrulestr

from rules import random_rule

ZONES = ["Europe/London", "America/New_York", "Australia/Lord_Howe", "Asia/Kolkata", "Pacific/Apia", "UTC"]
CUSTOM = """BEGIN:VTIMEZONE
TZID:Valley Time
BEGIN:STANDARD
DTSTART:19701101T020000
RRULE:FREQ=YEARLY;BYMONTH=11;BYDAY=1SU
TZOFFSETFROM:-0230
TZOFFSETTO:-0330
END:STANDARD
BEGIN:DAYLIGHT
DTSTART:19700308T020000
RRULE:FREQ=YEARLY;BYMONTH=3;BYDAY=2SU
TZOFFSETFROM:-0330
TZOFFSETTO:-0230
END:DAYLIGHT
END:VTIMEZONE
"""


def stamp(d):
    return d.strftime("%Y%m%dT%H%M%S")


class Maker:
    def __init__(self, rng):
        self.rng = rng

    def rule(self, base):
        """A rule of days or longer, and the first of its instances."""
        while True:
            rule = random_rule(self.rng).split(" ", 1)[1]
            if "HOURLY" in rule or "BYHOUR" in rule or "BYMINUTE" in rule:
                continue
            bare = ";".join(p for p in rule.split(";") if not p.startswith("COUNT"))
            seen = list(itertools.islice(rrulestr(bare, dtstart=base), 40))
            if seen and seen[0].year < base.year + 4:
                first = [d for d in itertools.islice(rrulestr(bare, dtstart=seen[0]), 40)]
                if first[0] == seen[0]:
                    return rule, first

    def event(self, uid, form):
        rng = self.rng
        base = datetime.datetime(rng.randint(2015, 2025), rng.randint(1, 12), rng.randint(1, 28), 0 if form == "date" else rng.randint(6, 14),
                                 0 if form == "date" else rng.choice([0, 20, 30]))
        rule, seen = self.rule(base)
        if form == "date":
            def prop(name, d):
                return "%s;VALUE=DATE:%s" % (name, d.strftime("%Y%m%d"))
        elif form in ("UTC", "float"):
            def prop(name, d):
                return "%s:%s%s" % (name, stamp(d), "Z" if form == "UTC" else "")
        else:
            def prop(name, d):
                return "%s;TZID=%s:%s" % (name, form, stamp(d))
        start = seen[0]
        length = datetime.timedelta(days=rng.randint(1, 3)) if form == "date" else datetime.timedelta(minutes=rng.choice([30, 60, 240]))
        lines = ["UID:" + uid, "DTSTAMP:20260101T000000Z", "SUMMARY:event", prop("DTSTART", start), "RRULE:" + rule]
        lines.append(prop("DTEND", start + length) if rng.random() < 0.7 else
                     "DURATION:" + ("P%dD" % length.days if form == "date" else "PT%dM" % (length.seconds // 60)))
        for d in rng.sample(seen[1:10], min(len(seen[1:10]), rng.randint(0, 2))):
            lines.append(prop("EXDATE", d))
        if rng.random() < 0.3:
            extra = start + datetime.timedelta(days=rng.randint(1, 60)) + (datetime.timedelta() if form == "date" else datetime.timedelta(hours=3))
            lines.append(prop("RDATE", extra))
        out = [lines]
        excluded = [l.rsplit(":", 1)[1] for l in lines if l.startswith("EXDATE")]
        counted = seen
        if "COUNT=" in rule:
            counted = seen[:int(rule.split("COUNT=")[1].split(";")[0])]
        for d in rng.sample(counted[1:10], min(len(counted[1:10]), rng.randint(0, 2))):
            if prop("X", d).rsplit(":", 1)[1] in excluded or any("RDATE" in l and d.strftime("%Y%m%d") in l for l in lines):
                continue  # the program loses a date added to the day of a moved occurrence
            moved = d + datetime.timedelta(days=rng.randint(-3, 3)) + (datetime.timedelta() if form == "date" else datetime.timedelta(hours=rng.randint(0, 3)))
            out.append(["UID:" + uid, "DTSTAMP:20260101T000000Z", "SUMMARY:moved", prop("RECURRENCE-ID", d), prop("DTSTART", moved),
                        prop("DTEND", moved + length)])
        return out, start

    def calendar(self, i):
        rng = self.rng
        form = rng.choice(ZONES + ["float", "date", "Valley Time"])
        events, start = self.event("random-%d@calendar.example" % i, form)
        body = "BEGIN:VCALENDAR\nVERSION:2.0\nPRODID:-//Spillway//tables//EN\n" + (CUSTOM if form == "Valley Time" else "")
        rng.shuffle(events)
        for lines in events:
            body += "BEGIN:VEVENT\n" + "\n".join(lines) + "\nEND:VEVENT\n"
        body += "END:VCALENDAR\n"
        zone = rng.choice(ZONES[:4])
        begin = datetime.datetime(start.year, start.month, start.day) + datetime.timedelta(days=rng.randint(-10, 400))
        return body, zone, begin, begin + datetime.timedelta(days=45)


def instant(d, zone):
    if not isinstance(d, datetime.datetime):
        d = datetime.datetime(d.year, d.month, d.day)
    if d.tzinfo is None:
        d = zone.localize(d)
    return d.astimezone(pytz.utc)


def expand(body, zone, begin, end):
    tz = pytz.timezone(zone)
    lo, hi = pytz.utc.localize(begin), pytz.utc.localize(end)
    found = set()
    # One day more on either side, cut afterwards: the query's own bounds know no zone for floating and all-day events.
    for e in recurring_ical_events.of(icalendar.Calendar.from_ical(body)).between(begin - datetime.timedelta(days=2), end + datetime.timedelta(days=2)):
        s, f = instant(e["DTSTART"].dt, tz), instant(e["DTEND"].dt, tz)
        if s < hi and f > lo:
            found.add((s.strftime("%Y-%m-%dT%H:%M:%SZ"), f.strftime("%Y-%m-%dT%H:%M:%SZ"), str(e["UID"]), str(e["SUMMARY"])))
    return [dict(zip(("start", "end", "uid", "summary"), f)) for f in sorted(found)]


def main():
    ap = argparse.ArgumentParser()
    ap.add_argument("--seed", type=int, default=5545)
    ap.add_argument("--random", type=int, default=150)
    args = ap.parse_args()
    maker = Maker(random.Random(args.seed))
    for i in range(args.random):
        body, zone, begin, end = maker.calendar(i)
        print(json.dumps({"ics": body, "zone": zone, "from": begin.isoformat() + "Z", "to": end.isoformat() + "Z",
                          "occurrences": expand(body, zone, begin, end)}))


main()
