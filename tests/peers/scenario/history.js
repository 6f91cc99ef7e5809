// History of the judged flash point: raw in pages, at times, and processed. OPC 10000-11 and -13.
"use strict";

const {
  AttributeIds,
  HistoryReadRequest,
  ReadAtTimeDetails,
  ReadProcessedDetails,
  ReadRawModifiedDetails,
  TimestampsToReturn,
} = require("node-opcua");
const { equal, holds, none, until } = require("./checks");

// OPC 10000-6, annex A: the NodeIds of the aggregate functions.
const AGGREGATES = { Average: 2342, Minimum: 2346, Maximum: 2347, Count: 2352 };
const TOTAL = 2344;
const CYCLES = 8;

class History {
  constructor(one, plan) {
    this.one = one;
    this.plan = plan;
    this.nodeId = one.id(`${plan.analyzer}.flash_point_c`);
  }

  async ask(details, continuationPoint, release, nodeId = this.nodeId) {
    const answer = await this.one.session.historyRead(
      new HistoryReadRequest({
        historyReadDetails: details,
        nodesToRead: [{ nodeId, continuationPoint }],
        releaseContinuationPoints: Boolean(release),
        timestampsToReturn: TimestampsToReturn.Both,
      }),
    );
    return answer.results[0];
  }

  raw(startTime, endTime, numValuesPerNode) {
    return new ReadRawModifiedDetails({
      isReadModified: false, startTime, endTime, numValuesPerNode, returnBounds: false });
  }

  async whole(details) {
    const pages = [];
    let token;
    do {
      const result = await this.ask(details, token);
      pages.push(result.historyData ? result.historyData.dataValues : []);
      token = result.continuationPoint;
    } while (token && token.length);
    return pages;
  }

  async rawRead() {
    const from = new Date(Date.now() - 3600000);
    let all;
    await until(async () => {
      const pages = await this.whole(this.raw(from, new Date(), 0));
      all = pages.flat();
      return all.length >= CYCLES && all.some((v) => v.statusCode.value >= 0x80000000);
    }, 500);
    const to = new Date(all[all.length - 1].sourceTimestamp.getTime() + 1);
    const key = (v) => [v.sourceTimestamp.toISOString(), v.statusCode.value, v.value.value];
    holds("history raw: cycles of every kind are there", all.length >= CYCLES, all.length, CYCLES);
    const times = all.map((v) => v.sourceTimestamp.getTime());
    none("history raw: in the order of time", times.length,
      times.filter((at, place) => place > 0 && at <= times[place - 1]));
    const rejected = all.filter((v) => v.statusCode.value >= 0x80000000);
    none("history raw: a rejected cycle has no value", rejected.length,
      rejected.filter((v) => v.value.value !== null).map(key));
    none("history raw: an accepted one is good and has one",
      all.filter((v) => v.statusCode.value === 0).length,
      all.filter((v) => v.statusCode.value === 0 && typeof v.value.value !== "number"));
    // OPC 10000-11, 6.5.3: ReadRawModifiedDetails; OPC 10000-4, 7.9: ContinuationPoint
    const pages = await this.whole(this.raw(from, to, 3));
    none("history raw: pages of 3 by continuation point", pages.length - 1,
      pages.slice(0, -1).filter((page) => page.length !== 3));
    equal("history raw: the pages are the whole", pages.flat().map(key), all.map(key));
    const back = await this.whole(this.raw(to, from, 4));
    equal("history raw: backward in pages of 4", back.flat().map(key), all.map(key).reverse());
    const first = await this.ask(this.raw(from, to, 2));
    const token = first.continuationPoint;
    const released = await this.ask(this.raw(from, to, 2), token, true);
    equal("history raw: a continuation point is released", released.statusCode.name, "Good");
    const after = await this.ask(this.raw(from, to, 2), token);
    equal("history raw: and is then unknown", after.statusCode.name,
      "BadContinuationPointInvalid");
    const nothing = await this.ask(this.raw(new Date(0), new Date(1000), 0));
    equal("history raw: nothing in that time", nothing.statusCode.name, "GoodNoData");
    await this.atTime(all);
    return { from: new Date(times[0] - 1), to, all };
  }

  // Times of ours have microseconds and those of JavaScript have not, so a moment later is asked
  // for: the value stands (Stepped), marked as interpolated (OPC 10000-11, 6.5.5 and 6.3.3).
  async atTime(all) {
    const place = all.findIndex((v, at) => v.statusCode.value === 0 && all[at + 1] &&
      all[at + 1].statusCode.value === 0);
    const one = all[place];
    const reqTimes = [new Date(one.sourceTimestamp.getTime() + 1)];
    const at = await this.ask(new ReadAtTimeDetails({ reqTimes, useSimpleBounds: true }));
    equal("history at time: between two accepted cycles the first one's value, interpolated",
      at.historyData.dataValues.map((v) => [v.value.value, v.statusCode.value]),
      [[one.value.value, 0x402]]);
  }

  async processed({ from, to, all }) {
    const good = all.filter((v) => v.statusCode.value === 0).map((v) => v.value.value);
    // OPC 10000-13, 5.4.3.5 (Average), .10 (Minimum), .11 (Maximum), .20 (Count): of good raw values
    const wanted = {
      Average: good.reduce((sum, one) => sum + one, 0) / good.length,
      Minimum: Math.min(...good),
      Maximum: Math.max(...good),
      Count: good.length,
    };
    const ask = async (number, processingInterval, nodeId) =>
      this.ask(new ReadProcessedDetails({
        startTime: from, endTime: to, processingInterval, aggregateType: [`i=${number}`],
        aggregateConfiguration: { useServerCapabilitiesDefaults: true } }),
      undefined, false, nodeId);
    for (const [name, number] of Object.entries(AGGREGATES)) {
      const result = await ask(number, 0);
      const seen = result.historyData.dataValues[0].value.value;
      holds(`history processed: ${name} of the whole`, Math.abs(seen - wanted[name]) < 1e-9,
        seen, wanted[name]);
    }
    const span = (to - from) / 4;
    const counts = await ask(AGGREGATES.Count, span);
    const sum = counts.historyData.dataValues.reduce((all, v) => all + (v.value.value || 0), 0);
    equal("history processed: the counts of 4 intervals add up", sum, good.length);
    equal("history processed: Total is not there", (await ask(TOTAL, 0)).statusCode.name,
      "BadAggregateNotSupported");
    const other = await ask(AGGREGATES.Average, 0, this.one.id(`${this.plan.analyzer}.heartbeat`));
    holds("history processed: not of a node without history", other.statusCode.value !== 0,
      other.statusCode.name, "Bad…");
  }

  // OPC 10000-3, 5.6.2: AccessLevel has HistoryRead (4), Historizing is true
  async marked() {
    const read = (attributeId) => this.one.session.read({ nodeId: this.nodeId, attributeId });
    const level = (await read(AttributeIds.AccessLevel)).value.value;
    const keeps = (await read(AttributeIds.Historizing)).value.value;
    equal("history: the flash point says that it has one", [level & 4, keeps], [4, true]);
  }
}

module.exports = { History };
