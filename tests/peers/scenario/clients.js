// Clients of node-opcua with a policy, a certificate and a user, and what they are told in vain.
"use strict";

const fs = require("fs");
const { MessageSecurityMode, OPCUAClient, SecurityPolicy, UserTokenType } = require("node-opcua");
const { OPCUACertificateManager } = require("node-opcua-certificate-manager");

const POINTS = "urn:edgeflash:points";
const TYPES = "urn:edgeflash:types";

class Clients {
  constructor(plan) {
    this.plan = plan;
    this.open = [];
    this.serverCertificate = fs.readFileSync(plan.serverCertificate);
    this.manager = new OPCUACertificateManager({ rootFolder: plan.pki });
  }

  async start() {
    await this.manager.initialize();
    await this.manager.trustCertificate(this.serverCertificate);
  }

  make(policy, mode, certificate) {
    const [certificateFile, privateKeyFile] = this.plan.certificates[certificate];
    return OPCUAClient.create({
      applicationName: "invented panel",
      applicationUri: "urn:panel-7:invented:client",
      endpointMustExist: false,
      connectionStrategy: { maxRetry: 0 },
      clientCertificateManager: this.manager,
      certificateFile,
      privateKeyFile,
      securityPolicy: SecurityPolicy[policy],
      securityMode: MessageSecurityMode[mode],
      serverCertificate: policy === "None" ? undefined : this.serverCertificate,
      requestedSessionTimeout: 120000,
      keepSessionAlive: true,
    });
  }

  // A session of a user ("" is nobody), with the indexes of our namespaces on it.
  async session(user, how = {}) {
    const client = this.make(
      how.policy || "Basic256Sha256",
      how.mode || "SignAndEncrypt",
      how.certificate || "trusted",
    );
    this.open.push(client);
    await client.connect(this.plan.endpoint);
    const password = how.password || this.plan.password;
    const session = await client.createSession(
      user ? { type: UserTokenType.UserName, userName: user, password } : undefined,
    );
    const namespaces = await session.readNamespaceArray();
    const index = namespaces.indexOf(POINTS);
    const types = namespaces.indexOf(TYPES);
    const id = (name) => `ns=${index};s=${name}`;
    const end = async () => {
      await session.close(true);
      await client.disconnect();
    };
    return { client, session, id, index, types, end };
  }

  // "" when it is let in, else the words that the client was told.
  async refusal(user, how) {
    try {
      const got = await this.session(user, how);
      await got.end();
      return "";
    } catch (error) {
      return error.message;
    } finally {
      await this.open.pop().disconnect();
    }
  }

  async stop() {
    for (const client of this.open) await client.disconnect();
    await this.manager.dispose();
  }
}

module.exports = { Clients, POINTS };
