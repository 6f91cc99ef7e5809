// An OPC UA client made with node-opcua that tries to get in, once for each attempt.
//
//   node secure_client.js ENDPOINT SERVER_CERTIFICATE ATTEMPT...
//
// ATTEMPT: JSON of {policy, mode, certificate, key, user, password, write}. Without a user: anonymous.
// write: a number for the input t10. One JSON object a line for each: {value, write, endpoints} or
// {error}. The server's certificate is trusted by its file and checked as node-opcua checks any.
"use strict";

const fs = require("fs");
const {
  AttributeIds,
  DataType,
  MessageSecurityMode,
  OPCUAClient,
  SecurityPolicy,
  UserTokenType,
  Variant,
  DataValue,
} = require("node-opcua-client");
const { OPCUACertificateManager } = require("node-opcua-certificate-manager");

const [endpoint, serverCertificate, ...attempts] = process.argv.slice(2);

async function attempt(manager, { policy, mode, certificate, key, user, password, write }) {
  const client = OPCUAClient.create({
    applicationName: "invented panel",
    endpointMustExist: false,
    connectionStrategy: { maxRetry: 0 },
    clientCertificateManager: manager,
    certificateFile: certificate,
    privateKeyFile: key,
    securityPolicy: SecurityPolicy[policy],
    securityMode: MessageSecurityMode[mode],
    serverCertificate: policy === "None" ? undefined : fs.readFileSync(serverCertificate),
  });
  try {
    await client.connect(endpoint);
    const endpoints = (await client.getEndpoints()).map((e) => [
      e.securityPolicyUri.split("#")[1],
      MessageSecurityMode[e.securityMode],
      e.securityLevel,
      e.userIdentityTokens.map((t) => UserTokenType[t.tokenType]),
    ]);
    const session = await client.createSession(
      user ? { type: UserTokenType.UserName, userName: user, password } : undefined
    );
    const namespaces = await session.readNamespaceArray();
    const index = namespaces.indexOf("urn:edgeflash:points");
    const read = await session.read({
      nodeId: `ns=${index};s=fp-101.flash_point_c`,
      attributeId: AttributeIds.Value,
    });
    let answer;
    if (write !== undefined)
      answer = await session.write({
        nodeId: `ns=${index};s=inputs.t10`,
        attributeId: AttributeIds.Value,
        value: new DataValue({ value: new Variant({ dataType: DataType.Double, value: write }) }),
      });
    await session.close();
    return { value: read.value.value, write: answer && answer.name, endpoints };
  } catch (error) {
    return { error: error.message };
  } finally {
    await client.disconnect();
  }
}

async function main() {
  const manager = new OPCUACertificateManager({ rootFolder: process.env.PKI_FOLDER });
  await manager.initialize();
  await manager.trustCertificate(fs.readFileSync(serverCertificate));
  for (const words of attempts)
    process.stdout.write(JSON.stringify(await attempt(manager, JSON.parse(words))) + "\n");
  await manager.dispose();
}

main().then(
  () => process.exit(0),
  (error) => {
    process.stderr.write(`${error.stack}\n`);
    process.exit(1);
  }
);
