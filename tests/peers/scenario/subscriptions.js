// Monitored items: deadbands, queues, sampling. OPC 10000-4, 5.12.1 and 7.22.2; OPC 10000-8, 7.2.
"use strict";

const {
  AttributeIds,
  ClientMonitoredItem,
  DataChangeFilter,
  DataChangeTrigger,
  DeadbandType,
  TimestampsToReturn,
} = require("node-opcua");
const { equal, holds, none, until } = require("./checks");

const CHANGES = 12;
const HEARTBEATS = 8;

async function subscription(one, publishingMs) {
  return one.session.createSubscription2({
    requestedPublishingInterval: publishingMs,
    requestedLifetimeCount: 1000,
    requestedMaxKeepAliveCount: 10,
    publishingEnabled: true,
  });
}

// What an item was granted, or refused, and all that it is sent.
async function watch(of, nodeId, { queue = 1, oldest = true, sampling = 0, deadband } = {}) {
  const item = ClientMonitoredItem.create(
    of,
    { nodeId, attributeId: AttributeIds.Value },
    {
      samplingInterval: sampling,
      queueSize: queue,
      discardOldest: oldest,
      filter:
        deadband &&
        new DataChangeFilter({
          trigger: DataChangeTrigger.StatusValue,
          deadbandType: deadband[0],
          deadbandValue: deadband[1],
        }),
    },
    TimestampsToReturn.Both,
  );
  const seen = [];
  item.on("changed", (value) => seen.push(value));
  const refused = await new Promise((resolve) => {
    item.on("initialized", () => resolve(""));
    item.on("err", resolve);
  });
  return { seen, refused, granted: item.result, item };
}

function steps(seen) {
  const numbers = [];
  for (let i = 1; i < seen.length; i++)
    if (seen[i].statusCode.value === 0 && seen[i - 1].statusCode.value === 0)
      numbers.push(Math.abs(seen[i].value.value - seen[i - 1].value.value));
  return numbers;
}

async function deadbands(one, plan) {
  const live = one.id(`${plan.analyzer}.live_sample_temperature_c`);
  const of = await subscription(one, 200);
  const many = { queue: 100 };
  const plain = await watch(of, live, many);
  const absolute = await watch(of, live, { ...many, deadband: [DeadbandType.Absolute, 4] });
  const percent = await watch(of, live, { ...many, deadband: [DeadbandType.Percent, 2] });
  const range = plan.points.find((each) => each.point === "live_sample_temperature_c").opcua;
  const band = ((range.high - range.low) * 2) / 100;
  await until(() => percent.seen.length >= CHANGES && absolute.seen.length >= CHANGES);
  none("absolute deadband: no smaller step is sent", absolute.seen.length - 1,
    steps(absolute.seen).filter((step) => step <= 4));
  none("percent deadband: of the EURange, no smaller step is sent", percent.seen.length - 1,
    steps(percent.seen).filter((step) => step <= band));
  holds("deadband: without one there is more, and smaller steps",
    plain.seen.length > absolute.seen.length && steps(plain.seen).some((step) => step < 4),
    [plain.seen.length, absolute.seen.length], "more than with");
  const refused = await watch(of, one.id(`${plan.analyzer}.cycle_number`), {
    deadband: [DeadbandType.Percent, 2],
  });
  // OPC 10000-8, 7.2: PercentDeadband needs an EURange
  holds("percent deadband: refused without an EURange",
    /DeadbandFilterInvalid|FilterNotAllowed/.test(refused.refused), refused.refused,
    "BadDeadbandFilterInvalid");
  const text = await watch(of, one.id(`${plan.analyzer}.reason_text`), {
    deadband: [DeadbandType.Absolute, 2],
  });
  holds("absolute deadband: refused of a text", /FilterNotAllowed|DeadbandFilterInvalid/.test(
    text.refused), text.refused, "BadFilterNotAllowed");
  const lost = await watch(of, one.id(`${plan.analyzer}.none_such`));
  holds("an item of an unknown node is refused", /BadNodeIdUnknown/.test(lost.refused),
    lost.refused, "BadNodeIdUnknown");
  await of.terminate();
}

// Three values of one message, of which more were made. Overflow: OPC 10000-4, 5.12.1.5 and 7.39.
async function queues(one, plan) {
  const live = one.id(`${plan.analyzer}.live_sample_temperature_c`);
  const of = await subscription(one, 2500);
  const messages = { oldest: [], newest: [], single: [] };
  const items = {
    oldest: await watch(of, live, { queue: 3, oldest: true }),
    newest: await watch(of, live, { queue: 3, oldest: false }),
    single: await watch(of, live, { queue: 1 }),
  };
  const all = await watch(of, live, { queue: 1000 });
  const whole = [];
  equal("queue: granted as asked", [items.oldest, items.newest, items.single, all].map(
    (each) => each.granted.revisedQueueSize), [3, 3, 1, 1000]);
  const byHandle = new Map(
    Object.entries(items).map(([name, each]) => [
      each.item.monitoringParameters.clientHandle, messages[name]]),
  );
  byHandle.set(all.item.monitoringParameters.clientHandle, whole);
  of.on("raw_notification", (message) => {
    for (const data of message.notificationData)
      for (const list of [...byHandle])
        if (data.monitoredItems)
          list[1].push(
            data.monitoredItems.filter((each) => each.clientHandle === list[0])
              .map((each) => each.value),
          );
  });
  const overflown = (list) => list.filter((each) => each.some((v) => v.statusCode.hasOverflowBit));
  await until(() => overflown(messages.oldest).length >= 2 && overflown(messages.newest).length >= 2);
  const sizes = [...messages.oldest, ...messages.newest].map((each) => each.length);
  holds("queue of 3: never more in a message", Math.max(...sizes) === 3, sizes, "at most 3");
  const flags = (list) => list.map((v) => Boolean(v.statusCode.hasOverflowBit));
  none("queue of 3, oldest lost: the Overflow bit on the first", overflown(messages.oldest).length,
    overflown(messages.oldest).map(flags).filter((each) => each.join() !== "true,false,false"));
  none("queue of 3, newest lost: the Overflow bit on the last", overflown(messages.newest).length,
    overflown(messages.newest).map(flags).filter((each) => each.join() !== "false,false,true"));
  none("queue of 1: the newest, never marked", messages.single.flat().length,
    messages.single.flat().filter((v) => v.statusCode.hasOverflowBit));
  none("queue of 1000: nothing lost, nothing marked", whole.flat().length,
    whole.flat().filter((v) => v.statusCode.hasOverflowBit));
  await of.terminate();
}

// Sampling of a value that counts up once a second, and the first value at once.
async function sampling(one, plan) {
  const heartbeat = one.id(`${plan.analyzer}.heartbeat`);
  const of = await subscription(one, 100);
  const each = await watch(of, heartbeat, { queue: 100 });
  const slow = await watch(of, heartbeat, { queue: 100, sampling: 3000 });
  equal("sampling interval: granted as asked", slow.granted.revisedSamplingInterval, 3000);
  await until(() => each.seen.length >= HEARTBEATS && slow.seen.length >= 2);
  const counts = each.seen.map((v) => v.value.value);
  none("subscribed: every heartbeat came, one by one", counts.length - 1,
    counts.slice(1).filter((count, place) => count !== (counts[place] + 1) % 65536));
  holds("sampled every 3 s: fewer came", slow.seen.length * 2 <= counts.length + 1,
    [slow.seen.length, counts.length], "half at most");
  await of.terminate();
}

module.exports = { deadbands, queues, sampling };
