// An OPC UA server made with node-opcua that knows the standard and the NodeSet2 file it is given.
//
//   node serve_nodeset.js FILE
//
// Prints "serving PORT", serves until its standard input ends, and ends.
"use strict";

const { MessageSecurityMode, OPCUAServer, SecurityPolicy, nodesets } = require("node-opcua");
const { OPCUACertificateManager } = require("node-opcua-certificate-manager");

async function main() {
  const certificates = new OPCUACertificateManager({ rootFolder: process.env.PKI_FOLDER });
  const server = new OPCUAServer({
    port: 0,
    nodeset_filename: [nodesets.standard, process.argv[2]],
    serverCertificateManager: certificates,
    userCertificateManager: certificates,
    securityPolicies: [SecurityPolicy.None],
    securityModes: [MessageSecurityMode.None],
  });
  await server.initialize();
  await server.start();
  const port = new URL(server.getEndpointUrl().replace("opc.tcp:", "http:")).port;
  process.stdout.write(`serving ${port}\n`);
  process.stdin.resume();
  await new Promise((resolve) => process.stdin.on("end", resolve));
  await server.shutdown();
}

main().catch((error) => {
  process.stderr.write(`${error.stack}\n`);
  process.exit(1);
});
