// An OPC UA server made with node-opcua: a small analyzer whose values follow from its cycle number.
//
//   node serve_nodes.js PORT WAY [CERTIFICATE KEY]
//
// WAY: plain, other-first (a namespace more before ours, so that our index moves), small (5 nodes a
// request, arrays no longer than 100). With CERTIFICATE and KEY, two PEM files, the server offers
// three policies, signed and encrypted, too, and lets in the user "reader" with the password "windmill".
// Takes commands on standard input, one a line, and prints "done COMMAND" after each; ends with it.
"use strict";

const readline = require("readline");
const {
  DataType,
  MessageSecurityMode,
  MonitoringMode,
  OPCUACertificateManager,
  OPCUAServer,
  SecurityPolicy,
  StatusCodes,
  VariantArrayType,
} = require("node-opcua");

const [port, way, certificateFile, privateKeyFile] = process.argv.slice(2);
const NAMESPACE = "urn:example:bench-cup:instrument";
const SAMPLES = 300;
const START = Date.UTC(2026, 2, 1);
const timeOf = (number) => new Date(START + number * 60000);

async function main() {
  const secure = certificateFile !== undefined;
  const trusting = new OPCUACertificateManager({
    automaticallyAcceptUnknownCertificate: true,
    rootFolder: process.env.PKI_FOLDER,
  });
  await trusting.initialize();
  const server = new OPCUAServer({
    port: Number(port),
    hostname: "127.0.0.1",
    buildInfo: { productName: "bench cup" },
    serverInfo: { applicationUri: "urn:example:bench-cup" },
    securityPolicies: secure
      ? [SecurityPolicy.None, SecurityPolicy.Basic256Sha256,
         SecurityPolicy.Aes128_Sha256_RsaOaep, SecurityPolicy.Aes256_Sha256_RsaPss]
      : [SecurityPolicy.None],
    securityModes: secure
      ? [MessageSecurityMode.None, MessageSecurityMode.Sign, MessageSecurityMode.SignAndEncrypt]
      : [MessageSecurityMode.None],
    allowAnonymous: !secure,
    userManager: { isValidUser: (user, password) => user === "reader" && password === "windmill" },
    serverCertificateManager: trusting,
    userCertificateManager: trusting,
    serverCapabilities:
      way === "small"
        ? {
            maxArrayLength: 100,
            operationLimits: { maxNodesPerRead: 5, maxMonitoredItemsPerCall: 2,
                               maxNodesPerTranslateBrowsePathsToNodeIds: 1 },
          }
        : {},
    ...(secure ? { certificateFile, privateKeyFile } : {}),
  });
  await server.initialize();
  const space = server.engine.addressSpace;
  if (way === "other-first") {
    space.registerNamespace("urn:example:bench-cup:maintenance");
  }
  const ours = space.registerNamespace(NAMESPACE);
  const cup = ours.addObject({
    browseName: "Cup", nodeId: "s=Cup", organizedBy: space.rootFolder.objects });

  const nodes = {};
  const add = (name, dataType, valueRank = -1) => {
    nodes[name] = ours.addVariable({
      browseName: name, nodeId: `s=Cup.${name}`, componentOf: cup, dataType, valueRank,
      arrayDimensions: valueRank === 1 ? [0] : undefined });
    nodes[name].kind = DataType[dataType];
    nodes[name].isList = valueRank === 1;
  };
  for (const name of ["Number", "Phase", "Alive", "TraceNumber", "TraceLength"]) add(name, "UInt32");
  for (const name of ["Flash", "Temperature", "Pressure"]) add(name, "Double");
  add("Time", "DateTime");
  for (const name of ["TraceTime", "TraceTemperature", "TracePressure", "RingFlash"]) {
    add(name, "Double", 1);
  }
  add("RingNumber", "UInt32", 1);
  add("RingTime", "DateTime", 1);

  const set = (name, value, status = StatusCodes.Good, at = new Date()) => {
    const { kind, isList } = nodes[name];
    const typed = !isList ? value : kind === DataType.Double ? Float64Array.from(value)
      : kind === DataType.UInt32 ? Uint32Array.from(value) : value;
    nodes[name].setValueFromSource(
      { dataType: kind, arrayType: isList ? VariantArrayType.Array : VariantArrayType.Scalar,
        value: typed }, status, at);
  };
  const list = (length, value) => Array.from({ length }, (_, index) => value(index));

  let status = StatusCodes.Good;
  const finish = (number) => {
    const ring = list(4, (index) => number - 3 + index).filter((each) => each > 0);
    set("RingNumber", ring);
    set("RingTime", ring.map(timeOf));
    set("RingFlash", ring.map((each) => 60 + each / 8));
    set("TraceNumber", number);
    set("TraceLength", SAMPLES);
    set("TraceTime", list(SAMPLES, (index) => index / 4));
    set("TraceTemperature", list(SAMPLES, (index) => number + index / 8));
    set("TracePressure", list(SAMPLES, (index) => number + index / 16));
    set("Flash", 60 + number / 8, status, timeOf(number));
    set("Time", timeOf(number), StatusCodes.Good, timeOf(number));
    set("Number", number, StatusCodes.Good, timeOf(number));
  };
  set("Phase", 0);
  set("Temperature", 40);
  set("Pressure", 0.5);
  let alive = 0;
  set("Alive", alive);
  finish(1);

  const sessions = () => Object.values(server.engine._sessions);
  const subscriptions = () => sessions().flatMap((session) => session.publishEngine.subscriptions);
  const commands = {
    finish: (number) => finish(Number(number)),
    live: (phase, temperature) => {
      set("Phase", Number(phase));
      set("Temperature", Number(temperature));
      set("Alive", (alive += 1));
    },
    status: (name) => { status = StatusCodes[name]; },
    "drop-sessions": () => {
      for (const session of sessions()) {
        server.engine.closeSession(session.authenticationToken, true, "Forcing");
      }
    },
    "drop-subscriptions": () => {
      for (const session of sessions()) {
        for (const subscription of [...session.publishEngine.subscriptions]) {
          session.deleteSubscription(subscription.id);
        }
      }
    },
    hush: () => {
      for (const subscription of subscriptions()) {
        for (const item of Object.values(subscription.monitoredItems)) {
          item.setMonitoringMode(MonitoringMode.Disabled);
        }
      }
    },
    refused: () => {
      process.stdout.write(`refused ${refusals.join(" ")}\n`);
    },
    count: () => {
      process.stdout.write(`counted ${sessions().length} ${subscriptions().length}\n`);
    },
  };

  const refusals = [];
  server.on("response", (response) => {
    const { serviceResult } = response.responseHeader;
    if (serviceResult.value !== 0) refusals.push(serviceResult.name);
  });
  await server.start();
  process.stdout.write("ready\n");
  for await (const line of readline.createInterface({ input: process.stdin })) {
    const [command, ...words] = line.split(" ");
    commands[command](...words);
    process.stdout.write(`done ${line}\n`);
  }
  await server.shutdown(0);
}

main().then(() => process.exit(0), (error) => {
  process.stderr.write(`${error.stack}\n`);
  process.exit(1);
});
