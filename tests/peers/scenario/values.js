// Value, status and times of the judged flash point through all that happens to a cycle.
// Statuses: the quality table of the point list; their numbers: OPC 10000-6, annex A.
"use strict";

const { AttributeIds, DataType, StatusCodes } = require("node-opcua");
const { equal, holds, none, please, until } = require("./checks");

const NAMES = [
  "flash_point_c",
  "quality",
  "verdict",
  "cycle_number",
  "shown_cycle_number",
  "sampled_at",
  "corrected_c",
  "link_state",
  "live_sample_temperature_c",
  "alarm_below_limit",
  "alarm_unavailable",
];

class Values {
  constructor(one, plan) {
    this.one = one;
    this.plan = plan;
  }

  codeOf(point, text) {
    const listed = this.plan.points.find(
      (each) => each.analyzer === this.plan.analyzer && each.point === point,
    );
    return Number(listed.codes.find((code) => code.endsWith(`=${text}`)).split("=")[0]);
  }

  // All of one analyzer in one Read, which no publication can tear.
  async now() {
    const nodes = NAMES.map((name) => ({
      nodeId: this.one.id(`${this.plan.analyzer}.${name}`),
      attributeId: AttributeIds.Value,
    }));
    const read = await this.one.session.read(nodes);
    return Object.fromEntries(NAMES.map((name, place) => [name, read[place]]));
  }

  async when(fits) {
    let now;
    await until(async () => fits((now = await this.now())));
    return now;
  }

  verdict(text, more = () => true) {
    const code = this.codeOf("verdict", text);
    return this.when((now) => now.verdict.value.value === code && more(now));
  }

  // The status's name and number and the quality's number, all of one line of the table.
  status(name, now, wanted) {
    const line = this.plan.qualities.find((each) => each.opcua_name === wanted);
    const flash = now.flash_point_c.statusCode;
    const seen = [flash.name, flash.value, now.quality.value.value];
    equal(`${name}: status ${wanted} and its number, and the quality`, seen, [
      wanted,
      Number(line.opcua_code),
      line.modbus,
    ]);
  }

  table() {
    const wrong = this.plan.qualities.filter((line) => {
      const known = StatusCodes[line.opcua_name];
      return !known || known.value !== Number(line.opcua_code);
    });
    none("quality table: node-opcua knows every status by that number",
      this.plan.qualities.length, wrong);
  }

  times(name, now) {
    const { flash_point_c: flash, sampled_at: sampled } = now;
    equal(`${name}: source time is when the sample was taken`,
      flash.sourceTimestamp, sampled.value.value);
    // OPC 10000-4, 7.11: DataValue
    holds(`${name}: sampled before the server had it, and that is not ahead of the clock`,
      flash.sourceTimestamp < flash.serverTimestamp && flash.serverTimestamp <= new Date(),
      [flash.sourceTimestamp, flash.serverTimestamp], "source < server <= now");
  }

  async accepted() {
    const now = await this.verdict("accepted", (one) => one.link_state.value.value === 1);
    this.status("accepted", now, "Good");
    equal("accepted: a Double", DataType[now.flash_point_c.value.dataType], "Double");
    equal("accepted: its own cycle is shown",
      now.shown_cycle_number.value.value, now.cycle_number.value.value);
    this.times("accepted", now);
    const value = now.flash_point_c.value.value;
    // The truth of the simulated product; the band is that of a good analyzer (common practice,
    // no source).
    const truth = this.plan.truths;
    holds("accepted: near a true flash point of the simulated product",
      truth.some((each) => Math.abs(each - value) < 3), value, truth);
    return now;
  }

  async doubted() {
    const now = await this.verdict("doubtful");
    this.status("doubtful", now, "UncertainSubNormal");
    this.times("doubtful", now);
    equal("doubtful: its own value is shown",
      [now.flash_point_c.value.value, now.shown_cycle_number.value.value],
      [now.corrected_c.value.value, now.cycle_number.value.value]);
  }

  async rejected() {
    const before = await this.verdict("accepted");
    const now = await this.verdict("rejected");
    this.status("rejected", now, "UncertainLastUsableValue");
    this.times("rejected", now);
    holds("rejected: the value of an earlier cycle is held, under that cycle's number",
      now.shown_cycle_number.value.value < now.cycle_number.value.value &&
        typeof now.flash_point_c.value.value === "number",
      [now.shown_cycle_number.value.value, now.cycle_number.value.value], "shown < latest");
    holds("rejected: the held source time does not move on",
      now.flash_point_c.sourceTimestamp >= before.flash_point_c.sourceTimestamp &&
        now.flash_point_c.sourceTimestamp < now.flash_point_c.serverTimestamp,
      now.flash_point_c.sourceTimestamp, before.flash_point_c.sourceTimestamp);
  }

  async lost(lines) {
    await this.verdict("accepted");
    await please(lines, "kill the analyzer");
    const down = this.codeOf("link_state", "down");
    const now = await this.when((one) => one.link_state.value.value === down);
    this.status("link lost", now, "UncertainNoCommunicationLastUsableValue");
    equal("link lost: what is live has no value and BadNoCommunication",
      [now.live_sample_temperature_c.statusCode.name, now.live_sample_temperature_c.value.value],
      ["BadNoCommunication", null]);
    const held = now.flash_point_c.value.value;
    const at = now.flash_point_c.sourceTimestamp;
    holds("link lost: the last value is held", typeof held === "number", held, "a number");
    const over = await this.when((one) => one.flash_point_c.statusCode.value >= 0x80000000);
    this.status("hold time over", over, "BadNoCommunication");
    equal("hold time over: no value", over.flash_point_c.value.value, null);
    const age = (over.flash_point_c.serverTimestamp - at) / 1000;
    // The site file's hold_s counts from the result, which comes after its sample.
    holds("hold time over: not before the hold time", age >= this.plan.hold_s, age,
      this.plan.hold_s);
  }

  async back(lines) {
    await please(lines, "start the analyzer");
    const now = await this.when(
      (one) => one.flash_point_c.statusCode.value === 0 && one.link_state.value.value === 1,
    );
    this.status("back", now, "Good");
    this.times("back", now);
  }
}

module.exports = { Values };
