// Reads a calendar file on standard input with ical.js and writes its events as JSON: see tests/judges.py.
import { readFileSync } from "node:fs";
import ICAL from "ical.js";

const moment = (time) => (time.isDate ? time.toString() : time.toUnixTime());

const alarm = (component) => ({
  action: component.getFirstPropertyValue("action"),
  seconds: component.getFirstPropertyValue("trigger").toSeconds(),
  description: component.getFirstPropertyValue("description"),
});

const event = (component) => ({
  uid: component.getFirstPropertyValue("uid"),
  start: moment(component.getFirstPropertyValue("dtstart")),
  end: moment(component.getFirstPropertyValue("dtend")),
  summary: component.getFirstPropertyValue("summary"),
  description: component.getFirstPropertyValue("description"),
  alarms: component.getAllSubcomponents("valarm").map(alarm),
});

const calendar = new ICAL.Component(ICAL.parse(readFileSync(0, "utf8")));
console.log(JSON.stringify(calendar.getAllSubcomponents("vevent").map(event)));
