// An OPC UA client made with node-opcua that writes one value a line. Prints a JSON object for each.
//
//   node write_nodes.js ENDPOINT WRITE...
//
// WRITE: JSON of {id, type, value, status}; the value may be null, the status the name of a code.
// The answer: {answer, value, status}: the name of the write's own code, then the node as it is.
"use strict";

const {
  AttributeIds,
  DataType,
  DataValue,
  OPCUAClient,
  StatusCodes,
  Variant,
} = require("node-opcua-client");
const { OPCUACertificateManager } = require("node-opcua-certificate-manager");

const [endpoint, ...writes] = process.argv.slice(2);

async function main() {
  const client = OPCUAClient.create({
    endpointMustExist: false,
    connectionStrategy: { maxRetry: 1 },
    clientCertificateManager: new OPCUACertificateManager({ rootFolder: process.env.PKI_FOLDER }),
  });
  await client.connect(endpoint);
  const session = await client.createSession();
  const namespaces = await session.readNamespaceArray();
  const index = namespaces.indexOf("urn:edgeflash:points");
  for (const { id, type, value, status } of writes.map(JSON.parse)) {
    const nodeId = `ns=${index};s=${id}`;
    const answer = await session.write({
      nodeId,
      attributeId: AttributeIds.Value,
      value: new DataValue({
        statusCode: StatusCodes[status || "Good"],
        value: value === null ? new Variant() : new Variant({ dataType: DataType[type], value }),
      }),
    });
    const now = await session.read({ nodeId, attributeId: AttributeIds.Value });
    process.stdout.write(
      JSON.stringify({
        answer: answer.name,
        value: now.value.value,
        status: now.statusCode.name,
      }) + "\n",
    );
  }
  await session.close();
  await client.disconnect();
}

main().catch((error) => {
  process.stderr.write(`${error.stack}\n`);
  process.exit(1);
});
