// The history of one point as node-opcua reads it. Prints one JSON object, and ends.
//
//   node read_history.js ENDPOINT NODE START END EVERY_MS PAGE
"use strict";

const {
  HistoryReadRequest,
  OPCUAClient,
  ReadAtTimeDetails,
  ReadProcessedDetails,
  ReadRawModifiedDetails,
  TimestampsToReturn,
  readHistoryServerCapabilities,
} = require("node-opcua-client");
const { OPCUACertificateManager } = require("node-opcua-certificate-manager");

const [endpoint, nodeId, from, to, everyMs, page] = process.argv.slice(2);
const startTime = new Date(from);
const endTime = new Date(to);

// OPC 10000-6, annex A: the NodeIds of the aggregate functions.
const AGGREGATES = { Average: 2342, Minimum: 2346, Maximum: 2347, Count: 2352, PercentGood: 2362 };
const TOTAL = 2344;

const plain = (dataValue) => ({
  value: dataValue.value.value,
  type: dataValue.value.dataType,
  status: dataValue.statusCode.value,
  statusName: dataValue.statusCode.name,
  at: dataValue.sourceTimestamp && dataValue.sourceTimestamp.toISOString(),
});

async function ask(session, historyReadDetails, continuationPoint, release) {
  const answer = await session.historyRead(
    new HistoryReadRequest({
      historyReadDetails,
      nodesToRead: [{ nodeId, continuationPoint }],
      releaseContinuationPoints: Boolean(release),
      timestampsToReturn: TimestampsToReturn.Both,
    }),
  );
  return answer.results[0];
}

async function pages(session, details) {
  const found = [];
  let token;
  do {
    const result = await ask(session, details, token);
    const values = result.historyData ? result.historyData.dataValues : [];
    found.push({ status: result.statusCode.name, values: values.map(plain) });
    token = result.continuationPoint;
  } while (token && token.length);
  return found;
}

async function main() {
  const client = OPCUAClient.create({
    endpointMustExist: false,
    connectionStrategy: { maxRetry: 1 },
    clientCertificateManager: new OPCUACertificateManager({ rootFolder: process.env.PKI_FOLDER }),
  });
  await client.connect(endpoint);
  const session = await client.createSession();
  const raw = (more) =>
    new ReadRawModifiedDetails({
      isReadModified: false,
      startTime,
      endTime,
      numValuesPerNode: Number(page),
      returnBounds: false,
      ...more,
    });
  const processed = (number) =>
    new ReadProcessedDetails({
      startTime,
      endTime,
      processingInterval: Number(everyMs),
      aggregateType: [`i=${number}`],
      aggregateConfiguration: { useServerCapabilitiesDefaults: true },
    });
  const seen = { raw: await pages(session, raw()) };
  seen.backward = await pages(session, raw({ startTime: endTime, endTime: startTime }));
  const first = await ask(session, raw());
  seen.released = (await ask(session, raw(), first.continuationPoint, true)).statusCode.name;
  seen.afterRelease = (await ask(session, raw(), first.continuationPoint)).statusCode.name;
  seen.processed = {};
  for (const [name, number] of Object.entries(AGGREGATES))
    seen.processed[name] = await pages(session, processed(number));
  seen.unsupported = (await pages(session, processed(TOTAL)))[0].status;
  const half = new Date(startTime.getTime() + 150000);
  seen.atTime = await pages(
    session,
    new ReadAtTimeDetails({ reqTimes: [startTime, half], useSimpleBounds: true }),
  );
  seen.capabilities = await readHistoryServerCapabilities(session);
  process.stdout.write(JSON.stringify(seen) + "\n");
  await session.close();
  await client.disconnect();
}

main().catch((error) => {
  process.stderr.write(`${error.stack}\n`);
  process.exit(1);
});
