// Aggregates of series by node-opcua's own calculation, as an outside reference.
//
//   node aggregates_reference.js FILE
//
// FILE: JSON, [{start, end, widthMs, rows: [[ms, value, status], ...]}, ...]. Prints one JSON array
// with, for each series, the answers of each aggregate as [value or null, status].
"use strict";

const fs = require("fs");
const {
  getAverageData,
  getCountData,
  getMaxData,
  getMinData,
} = require("node-opcua-aggregates");
const { DataType, DataValue, NodeClass, coerceStatusCode } = require("node-opcua");

const property = (value) => ({ readValue: () => ({ value: { value } }) });

// What the calculation asks of a node: its rows, and how it is configured (the standard's default).
const node = (rows) => ({
  nodeClass: NodeClass.Variable,
  $historicalDataConfiguration: {
    stepped: property(true),
    aggregateConfiguration: {
      percentDataBad: property(100),
      percentDataGood: property(100),
      treatUncertainAsBad: property(true),
      useSlopedExtrapolation: property(false),
    },
  },
  historyRead: (context, details, range, encoding, continuation, callback) =>
    callback(null, {
      historyData: {
        dataValues: rows.map(
          ([ms, value, status]) =>
            new DataValue({
              sourceTimestamp: new Date(ms),
              statusCode: coerceStatusCode({ value: status }),
              value: { dataType: DataType.Double, value: value === null ? 0 : value },
            }),
        ),
      },
    }),
});

const FUNCTIONS = {
  Average: getAverageData,
  Minimum: getMinData,
  Maximum: getMaxData,
  Count: getCountData,
};

const asked = (calculate, series) =>
  new Promise((resolve, reject) =>
    calculate(
      node(series.rows),
      series.widthMs,
      new Date(series.start),
      new Date(series.end),
      (error, values) =>
        error
          ? reject(error)
          : resolve(
              values.map((v) => [v.value.value === undefined ? null : v.value.value, v.statusCode.value]),
            ),
    ),
  );

async function main() {
  const found = [];
  for (const series of JSON.parse(fs.readFileSync(process.argv[2], "utf8"))) {
    const answers = {};
    for (const [name, calculate] of Object.entries(FUNCTIONS))
      answers[name] = await asked(calculate, series);
    found.push(answers);
  }
  process.stdout.write(JSON.stringify(found) + "\n");
}

main().catch((error) => {
  process.stderr.write(`${error.stack}\n`);
  process.exit(1);
});
