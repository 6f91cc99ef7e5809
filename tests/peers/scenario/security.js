// Who gets in, how, and who does not. OPC 10000-4, 5.4 to 5.6; policies: OPC 10000-7.
"use strict";

const { AttributeIds, MessageSecurityMode, UserTokenType } = require("node-opcua");
const { equal, holds, please, until } = require("./checks");

const CHANNELS = [
  ["Basic256Sha256", "Sign"],
  ["Basic256Sha256", "SignAndEncrypt"],
  ["Aes128_Sha256_RsaOaep", "SignAndEncrypt"],
  ["Aes256_Sha256_RsaPss", "Sign"],
  ["Aes256_Sha256_RsaPss", "SignAndEncrypt"],
];

async function readsGood(one, analyzer) {
  const nodeId = one.id(`${analyzer}.heartbeat`);
  const read = await one.session.read({ nodeId, attributeId: AttributeIds.Value });
  return read.statusCode.name;
}

async function channels(clients, plan) {
  const open = await clients.session("", { policy: "None", mode: "None" });
  equal("channel None: connect and read", await readsGood(open, plan.analyzer), "Good");
  // OPC 10000-4, 5.4.4 GetEndpoints
  const endpoints = await open.client.getEndpoints();
  const kinds = endpoints.map((one) => [
    one.securityPolicyUri.split("#")[1],
    MessageSecurityMode[one.securityMode],
  ]);
  const wanted = [["None", "None"], ...CHANNELS, ["Aes128_Sha256_RsaOaep", "Sign"]];
  equal("endpoints: every policy and mode of the site file", kinds.sort(), wanted.sort());
  const tokens = endpoints
    .filter((one) => one.securityMode !== MessageSecurityMode.None)
    .map((one) => one.userIdentityTokens.map((token) => UserTokenType[token.tokenType]).join());
  equal("endpoints: secured ones take users only", [...new Set(tokens)], ["UserName"]);
  await open.end();
  for (const [policy, mode] of CHANNELS) {
    const one = await clients.session("olive", { policy, mode });
    const seen = await readsGood(one, plan.analyzer);
    equal(`channel ${policy} ${mode}: connect as operator and read`, seen, "Good");
    await one.end();
  }
  for (const user of ["oscar", "erin"]) {
    const one = await clients.session(user, { policy: "Aes256_Sha256_RsaPss" });
    equal(`${user} logs in over Aes256 and reads`, await readsGood(one, plan.analyzer), "Good");
    await one.end();
  }
}

async function refusals(clients) {
  const refused = async (name, words, user, how) => {
    const told = await clients.refusal(user, how);
    holds(`refused: ${name}`, words.test(told), told || "let in", String(words));
  };
  // OPC 10000-4, 5.6.3.4 (ActivateSession): the results of a wrong identity
  const identity = /Bad(UserAccessDenied|IdentityTokenRejected|IdentityTokenInvalid)/;
  await refused("wrong password", identity, "olive", { password: "not the password" });
  await refused("unknown user", identity, "nobody-known", {});
  await refused("admin", identity, "admin", {});
  await refused("nobody, over a secured channel", /./, "", {});
  await refused("a password over None", /./, "olive", { policy: "None", mode: "None" });
  await refused("a policy that is not offered", /./, "olive", { policy: "Basic256" });
  // OPC 10000-4, 6.1.3, table of certificate checks; its note on what a stranger is told
  await refused("untrusted certificate", /./, "olive", { certificate: "stranger" });
  await refused("expired certificate", /./, "olive", { certificate: "expired" });
  await refused("certificate of the future", /./, "olive", { certificate: "early" });
  const told = await clients.refusal("olive", {});
  equal("the right user is let in after all these", told, "");
}

async function trust(clients, lines) {
  await please(lines, "trust the stranger");
  const told = await until(async () => {
    const words = await clients.refusal("olive", { certificate: "stranger" });
    return words === "" ? "in" : "";
  }, 500);
  equal("the stranger is let in once trusted, without a restart", told, "in");
}

module.exports = { channels, refusals, trust };
