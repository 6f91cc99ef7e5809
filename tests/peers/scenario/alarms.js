// Alarms raised, acknowledged by role, returned and cleared. OPC 10000-9, 5.5 to 5.8.
"use strict";

const { installAlarmMonitoring } = require("node-opcua");
const { equal, holds, until } = require("./checks");

// From the published list of node ids (OPC 10000-6, annex A).
const LEVEL_ALARM = "ns=0;i=10060";

const plain = (fields) => ({
  eventId: fields.eventId.value.toString("hex"),
  type: fields.eventType.value.toString(),
  name: fields.conditionName.value,
  source: fields.sourceName.value,
  severity: fields.severity.value,
  message: fields.message.value.text,
  active: fields.activeState.id.value,
  acked: fields.ackedState.id.value,
  retain: fields.retain.value,
  comment: fields.comment.value && fields.comment.value.text,
  user: fields.clientUserId.value,
});

class Alarms {
  constructor(who, plan) {
    this.who = who;
    this.plan = plan;
    this.seen = [];
  }

  async start() {
    const alarms = await installAlarmMonitoring(this.who.olive.session);
    alarms.on("alarmChanged", (alarm) => this.seen.push(plain(alarm.fields)));
    alarms.on("newAlarm", (alarm) => this.seen.push(plain(alarm.fields)));
  }

  // The first event of this alarm, from a place on, whose fields are these.
  async event(name, wanted, from = 0) {
    let found;
    await until(() => {
      found = this.seen.slice(from).find(
        (one) => one.name === name &&
          Object.entries(wanted).every(([key, value]) => one[key] === value),
      );
      return found;
    });
    return found || {};
  }

  condition(name) {
    return this.who.olive.id(`${this.plan.analyzer}.condition.${name}`);
  }

  async acknowledge(one, name, eventId, comment) {
    const given = Buffer.from(eventId || "00", "hex");
    return (await one.session.acknowledgeCondition(this.condition(name), given, comment)).name;
  }

  async belowLimit() {
    const name = "below_limit";
    const start = this.seen.length;
    const raised = await this.event(name, { active: true, acked: false }, start);
    equal("alarm below_limit: raised, unacknowledged, retained",
      [raised.active, raised.acked, raised.retain], [true, false, true]);
    // The severity of a high priority is our page's; that it is 1 to 1000: OPC 10000-5, 6.4.2
    equal("alarm below_limit: a level alarm of this analyzer, priority high",
      [raised.type, raised.source, raised.severity], [LEVEL_ALARM, this.plan.analyzer, 800]);
    holds("alarm below_limit: the message has the limit", /55/.test(raised.message || ""),
      raised.message, "names 55 °C");
    // OPC 10000-9, 5.7.3: Acknowledge and its result codes
    equal("acknowledge: refused to an observer",
      await this.acknowledge(this.who.oscar, name, raised.eventId, "no"), "BadUserAccessDenied");
    equal("acknowledge: refused of an unknown event",
      await this.acknowledge(this.who.olive, name, "00ff", "no"), "BadEventIdUnknown");
    const before = this.seen.length;
    equal("acknowledge: by an operator",
      await this.acknowledge(this.who.olive, name, raised.eventId, "diverted"), "Good");
    const acked = await this.event(name, { acked: true }, before);
    equal("alarm below_limit: acknowledged, by whom, with the comment",
      [acked.acked, acked.user, acked.comment], [true, "olive", "diverted"]);
    const over = await this.event(name, { active: false, acked: true }, before);
    equal("alarm below_limit: cleared, no longer retained",
      [over.active, over.acked, over.retain], [false, true, false]);
    const again = await this.acknowledge(this.who.olive, name, raised.eventId, "again");
    holds("acknowledge: not twice", /^Bad/.test(again), again, "Bad…");
  }

  async latched() {
    const name = "possible_low_flash";
    const start = this.seen.length;
    const over = await this.event(name, { active: false, acked: false }, start);
    equal("alarm possible_low_flash: waits, retained, for somebody when its cause is gone",
      [over.active, over.acked, over.retain], [false, false, true]);
    const before = this.seen.length;
    equal("acknowledge: what has returned",
      await this.acknowledge(this.who.erin, name, over.eventId, "sample taken"), "Good");
    const done = await this.event(name, { acked: true }, before);
    equal("alarm possible_low_flash: over", [done.active, done.retain, done.user],
      [false, false, "erin"]);
  }

  // While the link is lost, and after; the values' side is in values.js.
  async unavailable(whenLost, whenBack) {
    const name = "unavailable";
    const start = this.seen.length;
    await whenLost();
    const raised = await this.event(name, { active: true }, start);
    equal("alarm unavailable: raised when the flash point is bad",
      [raised.active, raised.acked, raised.retain, raised.severity], [true, false, true, 500]);
    equal("alarm unavailable: acknowledged",
      await this.acknowledge(this.who.olive, name, raised.eventId, "fitter called"), "Good");
    await whenBack();
    const over = await this.event(name, { active: false }, start);
    equal("alarm unavailable: cleared by itself",
      [over.active, over.acked, over.retain], [false, true, false]);
  }
}

module.exports = { Alarms };
