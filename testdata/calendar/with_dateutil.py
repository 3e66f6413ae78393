#!/usr/bin/env python3
"""Expands rules.tsv (standard input) with dateutil: id and the first twelve instances before 2100, tab-separated."""
import datetime
import itertools
import re
import signal
import sys

from dateutil.rrule import rrulestr


def late(*_):
    raise TimeoutError


signal.signal(signal.SIGALRM, late)
for line in sys.stdin:
    name, start, rule = line.rstrip("\n").split("\t")
    # dateutil refuses a UTC UNTIL beside a local DTSTART; here both are on one clock.
    rule = re.sub(r"(UNTIL=\d{8}T\d{6})Z", r"\1", rule)
    signal.setitimer(signal.ITIMER_REAL, 5)
    try:
        r = rrulestr(rule, dtstart=datetime.datetime.strptime(start, "%Y%m%dT%H%M%S"))
        seen = [d for d in itertools.islice(r, 12) if d.year < 2100]
        print(name, " ".join(d.strftime("%Y%m%dT%H%M%S") for d in seen), sep="\t")
    except (TimeoutError, ValueError) as e:
        print(name, "none: " + (str(e) or "too slow"), sep="\t")
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)
