// Decodes Sparkplug B payloads with an independent decoder: one payload a line, in hexadecimal, or
// `+` and a hexadecimal payload for a message of data, which says no types: they are those that the
// births before it gave to its aliases, as a host keeps them. Prints one JSON object a line.
"use strict";
const readline = require("readline");
const Long = require("long");
const sparkplug = require("sparkplug-payload").get("spBv1.0");
const proto = require("sparkplug-payload/lib/sparkplugPayloadProto");
const Payload = proto.org.eclipse.tahu.protobuf.Payload;

const types = new Map();

function plain(key, value) {
  return Long.isLong(value) ? value.toString() : value;
}

readline.createInterface({ input: process.stdin }).on("line", (line) => {
  const isData = line.startsWith("+");
  let bytes = Buffer.from(isData ? line.slice(1) : line, "hex");
  const raw = Payload.decode(bytes);
  if (isData) {
    for (const metric of raw.metrics) {
      if (!types.has(String(metric.alias))) throw new Error(`alias ${metric.alias} was not born`);
      metric.datatype = types.get(String(metric.alias));
    }
    bytes = Buffer.from(Payload.encode(raw).finish());
  } else {
    for (const metric of raw.metrics) {
      if (Object.hasOwn(metric, "alias")) types.set(String(metric.alias), metric.datatype);
    }
  }
  process.stdout.write(JSON.stringify(sparkplug.decodePayload(bytes), plain) + "\n");
});
