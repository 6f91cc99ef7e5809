// One monitored item of node-opcua with a deadband or a small queue. Prints JSON, one a line.
//
//   node watch_item.js ENDPOINT NODE PUBLISHING_MS QUEUE OLDEST DEADBAND_TYPE DEADBAND
//
// First what was granted, then each change as it comes. Ends when its standard input ends.
"use strict";

const {
  AttributeIds,
  ClientMonitoredItem,
  DataChangeFilter,
  DataChangeTrigger,
  OPCUAClient,
  TimestampsToReturn,
} = require("node-opcua-client");
const { OPCUACertificateManager } = require("node-opcua-certificate-manager");

const [endpoint, nodeId, interval, queue, oldest, deadbandType, deadband] = process.argv.slice(2);

const print = (value) => process.stdout.write(JSON.stringify(value) + "\n");

async function main() {
  const client = OPCUAClient.create({
    endpointMustExist: false,
    connectionStrategy: { maxRetry: 1 },
    clientCertificateManager: new OPCUACertificateManager({ rootFolder: process.env.PKI_FOLDER }),
  });
  await client.connect(endpoint);
  const session = await client.createSession();
  const subscription = await session.createSubscription2({
    requestedPublishingInterval: Number(interval),
    requestedLifetimeCount: 1000,
    requestedMaxKeepAliveCount: 10,
    publishingEnabled: true,
  });
  const item = ClientMonitoredItem.create(
    subscription,
    { nodeId, attributeId: AttributeIds.Value },
    {
      samplingInterval: 0,
      queueSize: Number(queue),
      discardOldest: oldest === "oldest",
      filter: new DataChangeFilter({
        trigger: DataChangeTrigger.StatusValue,
        deadbandType: Number(deadbandType),
        deadbandValue: Number(deadband),
      }),
    },
    TimestampsToReturn.Both,
  );
  item.on("changed", (dataValue) =>
    print({
      value: dataValue.value.value,
      status: dataValue.statusCode.value,
      overflow: dataValue.statusCode.hasOverflowBit,
    }),
  );
  await new Promise((resolve) => {
    item.on("initialized", () => {
      const granted = item.monitoringParameters;
      print({ granted: item.result.revisedQueueSize || granted.queueSize });
      resolve();
    });
    item.on("err", (message) => {
      print({ refused: message });
      resolve();
    });
  });
  process.stdin.resume();
  await new Promise((resolve) => process.stdin.on("end", resolve));
  await subscription.terminate();
  await session.close();
  await client.disconnect();
}

main().catch((error) => {
  process.stderr.write(`${error.stack}\n`);
  process.exit(1);
});
