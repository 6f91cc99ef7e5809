// What can be written: the declared inputs, by whom may, and nothing else of all there is.
"use strict";

const { AttributeIds, DataType, DataValue, NodeClass, Variant } = require("node-opcua");
const { equal, holds, none, until } = require("./checks");

const AT_ONCE = 200;

// Every variable below a node, by what is found in browsing, types left out.
async function variables(session, root) {
  const known = new Set();
  const found = new Map();
  let edge = [root];
  while (edge.length) {
    const asked = edge.splice(0, AT_ONCE);
    const answers = await session.browse(
      asked.map((nodeId) => ({
        nodeId,
        referenceTypeId: "HierarchicalReferences",
        includeSubtypes: true,
        browseDirection: 0,
        nodeClassMask: 0,
        resultMask: 63,
      })),
    );
    for (const answer of answers)
      for (const reference of answer.references || []) {
        const id = reference.nodeId.toString();
        if (known.has(id)) continue;
        known.add(id);
        edge.push(reference.nodeId);
        if (reference.nodeClass === NodeClass.Variable) found.set(id, reference.nodeId);
      }
  }
  return [...found.values()];
}

async function written(session, nodes) {
  const answers = [];
  for (let at = 0; at < nodes.length; at += AT_ONCE) {
    const part = nodes.slice(at, at + AT_ONCE);
    const read = await session.read(
      part.map((nodeId) => ({ nodeId, attributeId: AttributeIds.Value })),
    );
    const codes = await session.write(
      part.map((nodeId, place) => {
        const has = read[place].value && read[place].value.dataType !== DataType.Null;
        const value = has ? read[place].value : new Variant({ dataType: DataType.Double, value: 1 });
        return { nodeId, attributeId: AttributeIds.Value, value: new DataValue({ value }) };
      }),
    );
    answers.push(...codes.map((code, place) => [part[place].toString(), code.name]));
  }
  return answers;
}

async function writes(who, plan) {
  const { erin, olive, oscar, anybody } = who;
  const inputs = plan.inputs.map((name) => erin.id(`inputs.${name}`));
  // OPC 10000-5, 8.2.1: everything is below Root
  const nodes = await variables(erin.session, "ns=0;i=84");
  const ours = nodes.filter((node) => node.namespace === erin.index);
  const below = plan.points.filter((point) => point.analyzer === plan.analyzer).length;
  holds("browse from Root: all points and inputs are among the variables",
    ours.length > below && inputs.every((id) => ours.some((node) => node.toString() === id)),
    [nodes.length, ours.length], "more than the points");
  process.stdout.write(`# ${nodes.length} variables, ${ours.length} of them ours\n`);
  const taken = async (one) =>
    (await written(one.session, nodes)).filter(([, code]) => code === "Good").map(([id]) => id);
  // OPC 10000-4, 5.10.4 (Write)
  equal("write: an engineer writes no variable but the inputs", (await taken(erin)).sort(),
    [...inputs].sort());
  equal("write: an operator neither", (await taken(olive)).sort(), [...inputs].sort());
  const refused = await written(oscar.session, nodes);
  none("write: an observer writes none at all, and is told why", refused.length,
    refused.filter(([, code]) => !/^Bad/.test(code)));
  equal("write: an observer is denied the inputs",
    refused.filter(([id]) => inputs.includes(id)).map(([, code]) => code),
    inputs.map(() => "BadUserAccessDenied"));
  const some = ours.filter((node) => !inputs.includes(node.toString()));
  const named = some.map((nodeId) => ({
    nodeId,
    attributeId: AttributeIds.Description,
    value: new DataValue({ value: { dataType: DataType.LocalizedText, value: { text: "x" } } }),
  }));
  const codes = await erin.session.write(named.slice(0, AT_ONCE));
  none("write: no other attribute either", codes.length, codes.filter((one) => one.value === 0));
  equal("write: over None what the site file says: inputs by anybody",
    (await taken(anybody)).sort(), [...inputs].sort());
  await input(olive, plan);
}

async function input(one, plan) {
  const nodeId = one.id(`inputs.${plan.inputs[0]}`);
  const attributeId = AttributeIds.Value;
  const write = async (dataType, value) =>
    (await one.session.write({ nodeId, attributeId, value: new DataValue({
      value: new Variant({ dataType, value }) }) })).name;
  equal("input: written by an operator", await write(DataType.Double, 187.5), "Good");
  const read = await one.session.read({ nodeId, attributeId });
  equal("input: and read back, good", [read.value.value, read.statusCode.name], [187.5, "Good"]);
  // OPC 10000-4, table of operation level result codes of Write
  equal("input: another type is refused", await write(DataType.String, "x"), "BadTypeMismatch");
  await write(DataType.Double, plan.tooHigh);
  const usable = await until(async () =>
    (await one.session.read({ nodeId: `${nodeId}.is_good`, attributeId })).value.value === false);
  equal("input: out of its range is taken, and told not to be good", usable, true);
}

module.exports = { writes };
