// Asks a Modbus TCP server with modbus-serial, step by step.
//
//   node ask_modbus.js HOST PORT STEP...
//
// Steps and lines as in ask_modbus.c, but for raw; more steps: 5,ADDRESS  15,ADDRESS
// 22,ADDRESS,AND,OR  43,CODE,OBJECT, which prints "objects NUMBER=TEXT ..."
"use strict";

const ModbusRTU = require("modbus-serial");

const hex = (word) => word.toString(16).toUpperCase().padStart(4, "0");

function ask(client, step) {
  const [function_, address, ...more] = step.split(",");
  const at = Number(address);
  const words = more.map((word) => parseInt(word, 16));
  const registers = (answer) => `words ${answer.data.map(hex).join(" ")}`;
  const bits = (answer) =>
    `bits ${answer.data.slice(0, Number(more[0])).map((bit) => (bit ? "1" : "0")).join("")}`;
  const ok = () => "ok";
  switch (function_) {
    case "1":
      return client.readCoils(at, Number(more[0])).then(bits);
    case "2":
      return client.readDiscreteInputs(at, Number(more[0])).then(bits);
    case "3":
      return client.readHoldingRegisters(at, Number(more[0])).then(registers);
    case "4":
      return client.readInputRegisters(at, Number(more[0])).then(registers);
    case "5":
      return client.writeCoil(at, true).then(ok);
    case "6":
      return client.writeRegister(at, words[0]).then(ok);
    case "15":
      return client.writeCoils(at, [true, false]).then(ok);
    case "16":
      return client.writeRegisters(at, words).then(ok);
    case "22":
      return client.maskWriteRegister(at, words[0], words[1]).then(ok);
    case "43":
      return client.readDeviceIdentification(at, Number(more[0])).then(
        (answer) =>
          "objects " +
          Object.entries(answer.data)
            .map(([number, text]) => `${number}=${text}`)
            .join("; "),
      );
    default:
      throw new Error(`no step ${step}`);
  }
}

async function main() {
  const [host, port, ...steps] = process.argv.slice(2);
  const client = new ModbusRTU();
  client.setTimeout(30000);
  await client.connectTCP(host, { port: Number(port) });
  client.setID(1);
  for (const step of steps) {
    if (step.startsWith("unit,")) {
      client.setID(Number(step.slice(5)));
      continue;
    }
    try {
      console.log(await ask(client, step));
    } catch (error) {
      const code = error.modbusCode;
      console.log(code === undefined ? `error ${error.message}` : `exception ${code}`);
    }
  }
  client.close(() => {});
}

main().catch((error) => {
  console.error(error);
  process.exit(1);
});
