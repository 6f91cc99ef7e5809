// An OPC UA alarm client made with node-opcua. Prints JSON objects, one a line, for the test to judge.
//
//   node watch_alarms.js ENDPOINT
//
// First the alarm list that node-opcua's own alarm monitoring builds (subscription, filter, refresh),
// then one line for each change of it. Takes commands, one JSON array a line:
//   ["acknowledge", CONDITION, EVENT_ID (hex), COMMENT]   ["comment", CONDITION, EVENT_ID, COMMENT]
//   ["active"]: the conditions found by a refresh in a subscription of their own
//   ["call", OBJECT, METHOD, [TYPE, VALUE]...]
// and prints {"answer": ...} to each. Ends, disconnected, when its standard input ends.
"use strict";

const readline = require("readline");
const { OPCUAClient, installAlarmMonitoring } = require("node-opcua-client");
const { findActiveConditions } = require("node-opcua-alarm-condition");
const { OPCUACertificateManager } = require("node-opcua-certificate-manager");
const { DataType, Variant } = require("node-opcua-variant");

const [endpoint] = process.argv.slice(2);

const print = (value) => process.stdout.write(JSON.stringify(value) + "\n");

const plain = (fields) => ({
  condition: fields.conditionId.value.toString(),
  eventId: fields.eventId.value.toString("hex"),
  eventType: fields.eventType.value.toString(),
  name: fields.conditionName && fields.conditionName.value,
  active: fields.activeState && fields.activeState.id.value,
  acked: fields.ackedState.id.value,
  retain: fields.retain.value,
  severity: fields.severity.value,
  message: fields.message.value.text,
  source: fields.sourceName.value,
  time: fields.time.value.toISOString(),
  comment: fields.comment.value && fields.comment.value.text,
  user: fields.clientUserId.value,
  quality: fields.quality.value.name,
});

async function answered(session, [command, ...rest]) {
  if (command === "active") return (await findActiveConditions(session)).map(plain);
  if (command === "acknowledge" || command === "comment") {
    const [condition, eventId, comment] = rest;
    const does = command === "comment" ? "addCommentCondition" : "acknowledgeCondition";
    return (await session[does](condition, Buffer.from(eventId, "hex"), comment)).name;
  }
  const [objectId, methodId, ...given] = rest;
  const inputArguments = given.map(
    ([type, value]) => new Variant({ dataType: DataType[type], value }),
  );
  const result = await session.call({ objectId, methodId, inputArguments });
  return {
    status: result.statusCode.name,
    arguments: (result.inputArgumentResults || []).map((one) => one.name),
  };
}

async function main() {
  const client = OPCUAClient.create({
    endpointMustExist: false,
    connectionStrategy: { maxRetry: 1 },
    clientCertificateManager: new OPCUACertificateManager({ rootFolder: process.env.PKI_FOLDER }),
  });
  await client.connect(endpoint);
  const session = await client.createSession();
  const alarms = await installAlarmMonitoring(session);
  alarms.on("alarmChanged", (alarm) => print({ alarm: plain(alarm.fields) }));
  print({ namespaces: await session.readNamespaceArray() });

  const lines = readline.createInterface({ input: process.stdin });
  for await (const line of lines)
    print({ answer: await answered(session, JSON.parse(line)) });
  await session.close(true);
  await client.disconnect();
}

main().catch((error) => {
  process.stderr.write(`${error.stack}\n`);
  process.exit(1);
});
