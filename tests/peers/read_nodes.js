// An OPC UA client made with node-opcua. Prints JSON objects, one a line, for the test to judge.
//
//   node read_nodes.js ENDPOINT ANALYZER TITLE...
//
// First every variable under Objects/Edgeflash/ANALYZER and the status codes that node-opcua knows,
// then one line for each change of the variables named by TITLE. Ends, disconnected, when its
// standard input ends.
"use strict";

const {
  AttributeIds,
  BrowseDirection,
  ClientMonitoredItem,
  NodeClass,
  OPCUAClient,
  StatusCodes,
  TimestampsToReturn,
} = require("node-opcua-client");
const { OPCUACertificateManager } = require("node-opcua-certificate-manager");

const [endpoint, analyzer, ...watched] = process.argv.slice(2);

const print = (value) => process.stdout.write(JSON.stringify(value) + "\n");

const plain = (dataValue) => ({
  value: dataValue.value.value,
  type: dataValue.value.dataType,
  status: dataValue.statusCode.value,
  statusName: dataValue.statusCode.name,
  sourceTimestamp: dataValue.sourceTimestamp && dataValue.sourceTimestamp.toISOString(),
});

async function children(session, nodeId, referenceTypeId) {
  const answer = await session.browse({
    nodeId,
    referenceTypeId,
    includeSubtypes: true,
    browseDirection: BrowseDirection.Forward,
    resultMask: 63,
  });
  return answer.references;
}

async function child(session, nodeId, name) {
  const found = await children(session, nodeId, "HierarchicalReferences");
  const match = found.find((reference) => reference.browseName.name === name);
  if (!match) throw new Error(`${nodeId} has no ${name}`);
  return match.nodeId;
}

async function describe(session, reference) {
  const read = (attributeId) => session.read({ nodeId: reference.nodeId, attributeId });
  const typeName = await session.read({
    nodeId: reference.typeDefinition,
    attributeId: AttributeIds.BrowseName,
  });
  const properties = {};
  for (const property of await children(session, reference.nodeId, "HasProperty"))
    properties[property.browseName.name] = (
      await session.read({ nodeId: property.nodeId, attributeId: AttributeIds.Value })
    ).value.value;
  return {
    ...plain(await read(AttributeIds.Value)),
    nodeId: reference.nodeId.value,
    namespace: reference.nodeId.namespace,
    typeDefinition: typeName.value.value.name,
    description: (await read(AttributeIds.Description)).value.value.text,
    accessLevel: (await read(AttributeIds.UserAccessLevel)).value.value,
    properties,
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
  const root = await child(session, "ObjectsFolder", "Edgeflash");
  const home = await child(session, root, analyzer);
  const namespaces = await session.readNamespaceArray();
  const nodes = {};
  const ids = {};
  for (const reference of await children(session, home, "HasComponent")) {
    if (reference.nodeClass !== NodeClass.Variable) continue;
    nodes[reference.browseName.name] = await describe(session, reference);
    ids[reference.browseName.name] = reference.nodeId;
  }
  const statusCodes = {};
  for (const [name, code] of Object.entries(StatusCodes)) statusCodes[name] = code.value;
  print({ namespaces, nodes, statusCodes });

  const subscription = await session.createSubscription2({
    requestedPublishingInterval: 50,
    requestedLifetimeCount: 1000,
    requestedMaxKeepAliveCount: 100,
    publishingEnabled: true,
  });
  for (const title of watched)
    ClientMonitoredItem.create(
      subscription,
      { nodeId: ids[title], attributeId: AttributeIds.Value },
      { samplingInterval: 0, queueSize: 100, discardOldest: true },
      TimestampsToReturn.Both,
    ).on("changed", (dataValue) => print({ changed: title, ...plain(dataValue) }));

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
