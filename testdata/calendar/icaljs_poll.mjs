// Reads a feed with ical.js and expands it over [from, to): a reference for the cost of a poll.
// usage: node icaljs_poll.mjs FEED FROM TO   (UTC, 2026-10-20T00:00:00Z)
// The iterator has no way to skip ahead, so a rule is walked from its start.
import { readFileSync } from "node:fs";
import ICAL from "ical.js";

const [file, from, to] = process.argv.slice(2);
const text = readFileSync(file, "utf8");
const begin = process.cpuUsage();
const calendar = new ICAL.Component(ICAL.parse(text));
for (const zone of calendar.getAllSubcomponents("vtimezone")) ICAL.TimezoneService.register(new ICAL.Timezone(zone));
const parsed = process.cpuUsage(begin);
const first = Date.parse(from) / 1000, last = Date.parse(to) / 1000;
let found = 0;
for (const component of calendar.getAllSubcomponents("vevent")) {
  const event = new ICAL.Event(component);
  const start = event.startDate, length = event.endDate.toUnixTime() - start.toUnixTime();
  if (!event.isRecurring()) {
    const at = start.toUnixTime();
    if (at < last && at + length > first) found++;
    continue;
  }
  const days = event.iterator();
  for (let next = days.next(); next; next = days.next()) {
    const at = next.toUnixTime();
    if (at >= last) break;
    if (at + length > first) found++;
  }
}
const used = process.cpuUsage(begin), seconds = (u) => (u.user + u.system) / 1e6;
console.log(`ical.js: ${found} occurrences, parse ${seconds(parsed).toFixed(3)} s, expand ${(seconds(used) - seconds(parsed)).toFixed(3)} s, ` +
  `whole ${seconds(used).toFixed(3)} s, ${Math.round(process.resourceUsage().maxRSS / 1024)} MB`);
