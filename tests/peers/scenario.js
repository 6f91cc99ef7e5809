// The whole interface to the control system, by node-opcua against a running gateway.
//
//   node scenario.js PLAN
//
// PLAN: a JSON file, made by test_node_opcua_scenario.py. Prints a line `ok NAME` or
// `not ok NAME: seen, wanted` for each check, and `please …` where the test must do something to
// the plant: it answers with a line when that is done.
"use strict";

const fs = require("fs");
const readline = require("readline");
const { Alarms } = require("./scenario/alarms");
const { Clients } = require("./scenario/clients");
const { History } = require("./scenario/history");
const { Methods } = require("./scenario/methods");
const { Values } = require("./scenario/values");
const { holds } = require("./scenario/checks");
const model = require("./scenario/model");
const security = require("./scenario/security");
const subscriptions = require("./scenario/subscriptions");
const { writes } = require("./scenario/writes");

const plan = JSON.parse(fs.readFileSync(process.argv[2]));

// A part that throws is one failed check, and the others go on.
async function part(name, run) {
  process.stdout.write(`# ${name}\n`);
  try {
    await run();
  } catch (error) {
    holds(`${name} runs to its end`, false, error.stack, "no error");
  }
}

async function main() {
  const lines = readline.createInterface({ input: process.stdin })[Symbol.asyncIterator]();
  const clients = new Clients(plan);
  await clients.start();
  await part("channels", () => security.channels(clients, plan));
  await part("refusals", () => security.refusals(clients));
  await part("trust", () => security.trust(clients, lines));
  const who = {
    anybody: await clients.session("", { policy: "None", mode: "None" }),
    oscar: await clients.session("oscar"),
    olive: await clients.session("olive"),
    erin: await clients.session("erin", { policy: "Aes256_Sha256_RsaPss" }),
  };
  const values = new Values(who.oscar, plan);
  const alarms = new Alarms(who, plan);
  const history = new History(who.oscar, plan);
  const methods = new Methods(who, plan, values);
  await part("alarm monitoring", () => alarms.start());
  await part("objects", () => model.objects(who.oscar, plan));
  await part("points", () => model.points(who.oscar, plan));
  await part("statuses", async () => values.table());
  await part("an accepted cycle", () => values.accepted());
  await part("a doubtful cycle", () => values.doubted());
  await part("a rejected cycle", () => values.rejected());
  await part("an alarm", () => alarms.belowLimit());
  await part("a latched alarm", () => alarms.latched());
  await part("deadbands", () => subscriptions.deadbands(who.oscar, plan));
  await part("queues", () => subscriptions.queues(who.oscar, plan));
  await part("sampling", () => subscriptions.sampling(who.oscar, plan));
  await part("history marks", () => history.marked());
  await part("history", async () => history.processed(await history.rawRead()));
  await part("writes", () => writes(who, plan));
  await part("methods described", () => methods.described());
  await part("methods refused", () => methods.refused());
  await part("methods", () => methods.done());
  await part("a lost link", () =>
    alarms.unavailable(() => values.lost(lines), () => values.back(lines)));
  for (const one of Object.values(who)) await one.end();
  await clients.stop();
  process.stdout.write("end\n");
}

main().then(
  () => process.exit(0),
  (error) => {
    process.stderr.write(`${error.stack}\n`);
    process.exit(1);
  },
);
