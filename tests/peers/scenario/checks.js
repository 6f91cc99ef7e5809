// Named checks, each told in a line of the Test Anything Protocol, and waiting for a condition.
"use strict";

const WAIT_MS = 60000;

const plain = (value) => JSON.parse(JSON.stringify(value === undefined ? null : value));

// Whatever order the members of an object came in.
const sorted = (key, value) =>
  value && typeof value === "object" && !Array.isArray(value)
    ? Object.fromEntries(Object.entries(value).sort(([a], [b]) => (a < b ? -1 : 1)))
    : value;

function holds(name, isTrue, seen, wanted) {
  const words = (value) => String(JSON.stringify(plain(value))).slice(0, 1500);
  process.stdout.write(
    isTrue ? `ok ${name}\n` : `not ok ${name}: ${words(seen)}, ${words(wanted)}\n`,
  );
}

function equal(name, seen, wanted) {
  const words = (value) => JSON.stringify(plain(value), sorted);
  holds(name, words(seen) === words(wanted), seen, wanted);
}

// What is wrong with any of many: none must be, and there must be some.
function none(name, looked, wrong) {
  holds(name, looked > 0 && wrong.length === 0, { looked, wrong }, "some looked at, none wrong");
}

const pause = (ms) => new Promise((resolve) => setTimeout(resolve, ms));

// The first truthy answer; after a generous time the last one, so that the checks say what is wrong.
async function until(ask, everyMs = 30) {
  const end = Date.now() + WAIT_MS;
  let answer;
  while (!(answer = await ask()) && Date.now() < end) await pause(everyMs);
  return answer;
}

// The test does it: kills and starts other processes.
function please(lines, what) {
  process.stdout.write(`please ${what}\n`);
  return lines.next();
}

module.exports = { equal, holds, none, pause, please, until };
