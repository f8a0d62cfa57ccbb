// Reads an iCalendar stream with ical.js, each time in the VTIMEZONE that came with it, and tells what it saw.
import { readFileSync } from "node:fs";

const ICAL = (await import(process.argv[2])).default;
const calendar = new ICAL.Component(ICAL.parse(readFileSync(0, "utf8")));
for (const zone of calendar.getAllSubcomponents("vtimezone")) ICAL.TimezoneService.register(zone);
const instant = (time) => time.toJSDate().toISOString();
const events = calendar.getAllSubcomponents("vevent").map((part) => {
  const event = new ICAL.Event(part);
  return {
    uid: event.uid,
    sequence: event.sequence,
    status: part.getFirstPropertyValue("status"),
    summary: event.summary,
    location: event.location,
    description: event.description,
    tzid: event.startDate.zone.tzid,
    local: event.startDate.toString(),
    begins: instant(event.startDate),
    ends: instant(event.endDate),
    changed: instant(part.getFirstPropertyValue("last-modified")),
    alarms: part.getAllSubcomponents("valarm").map((one) => one.getFirstPropertyValue("trigger").toString()),
  };
});
const refresh = calendar.getFirstProperty("refresh-interval");
console.log(JSON.stringify({
  events,
  method: calendar.getFirstPropertyValue("method"),
  name: calendar.getFirstPropertyValue("name"),
  refreshType: refresh.type,
  refresh: refresh.getFirstValue().toString(),
}));
