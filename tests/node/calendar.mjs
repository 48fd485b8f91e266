// Prints the events of a calendar as ical.js reads them; times in seconds since 1970.
import { readFileSync } from "node:fs";
import ICAL from "ical.js";

const calendar = new ICAL.Component(ICAL.parse(readFileSync(process.argv[2], "utf8")));
for (const zone of calendar.getAllSubcomponents("vtimezone")) ICAL.TimezoneService.register(zone);
const events = calendar.getAllSubcomponents("vevent").map((told) => {
  const event = new ICAL.Event(told);
  return {
    uid: event.uid,
    summary: event.summary,
    location: event.location,
    description: event.description,
    zone: event.startDate.zone.tzid,
    start: event.startDate.toUnixTime(),
    end: event.endDate.toUnixTime(),
  };
});
console.log(JSON.stringify(events));
