// The address space beside the point list of `edgeflash points --format json`: every point of it.
"use strict";

const { AttributeIds, DataType, makeBrowsePath } = require("node-opcua");
const { equal, none } = require("./checks");

// OPC 10000-8, 5.6.3.3: UnitId is the UNECE common code, its characters as bytes of an integer.
// Codes after UNECE recommendation 20 (from memory).
const COMMON_CODES = { "°C": "CEL", kPa: "KPA", s: "SEC", "%": "P1" };
const unitId = (code) => [...code].reduce((sum, one) => sum * 256 + one.charCodeAt(0), 0);

async function value(session, nodeId, attributeId = AttributeIds.Value) {
  const read = await session.read({ nodeId, attributeId });
  return read.value.value;
}

// The node of a browse path, by TranslateBrowsePathsToNodeIds (OPC 10000-4, 5.8.4); null without.
async function found(session, from, path) {
  const answer = await session.translateBrowsePath(makeBrowsePath(from, path));
  return answer.statusCode.name === "Good" ? answer.targets[0].targetId : null;
}

// What the point list says of one point, found at the node. Each gives "" or what differs.
const ASPECTS = {
  // OPC 10000-3, 5.6.2 (Variable), table of attributes
  "data type": async (one, node, point) => {
    const type = await value(one.session, node, AttributeIds.DataType);
    const name = await value(one.session, type, AttributeIds.BrowseName);
    return name.name === point.opcua_data_type ? "" : name.name;
  },
  "scalar": async (one, node) => {
    const rank = await value(one.session, node, AttributeIds.ValueRank);
    return rank === -1 ? "" : rank;
  },
  "description": async (one, node, point) => {
    const text = await value(one.session, node, AttributeIds.Description);
    return text.text === point.description ? "" : text.text;
  },
  "read access only": async (one, node) => {
    const level = await value(one.session, node, AttributeIds.AccessLevel);
    const user = await value(one.session, node, AttributeIds.UserAccessLevel);
    return (level & 2) === 0 && (user & 2) === 0 && (user & 1) === 1 ? "" : [level, user];
  },
  // OPC 10000-8, 5.3: the type definitions and, by it, the properties that must be there
  "type definition": async (one, node, point) => {
    const answer = await one.session.browse({
      nodeId: node,
      referenceTypeId: "HasTypeDefinition",
      browseDirection: 0,
      resultMask: 63,
    });
    const name = answer.references.map((reference) => reference.displayName.text).join();
    return name === point.opcua_type ? "" : name;
  },
  // OPC 10000-8, 5.6.2: Range
  "EURange": async (one, node, point) => {
    const range = await property(one, node, "EURange");
    if (point.opcua.low === null) return range ? "has one" : "";
    return near(range, point.opcua.low, point.opcua.high) ? "" : range;
  },
  "InstrumentRange": async (one, node, point) => {
    const range = await property(one, node, "InstrumentRange");
    if (point.opcua.instrument_low === null) return range ? "has one" : "";
    return near(range, point.opcua.instrument_low, point.opcua.instrument_high) ? "" : range;
  },
  // OPC 10000-8, 5.6.3: EUInformation
  "EngineeringUnits": async (one, node, point) => {
    const unit = await property(one, node, "EngineeringUnits");
    if (point.opcua.unit === "") return unit ? "has one" : "";
    if (!unit || unit.displayName.text !== point.opcua.unit) return unit || "none";
    const code = COMMON_CODES[point.opcua.unit];
    return code === undefined || unit.unitId === unitId(code) ? "" : unit.unitId;
  },
  // OPC 10000-8, 5.3.3.3 (MultiStateDiscreteType)
  "EnumStrings": async (one, node, point) => {
    if (point.opcua_type !== "MultiStateDiscreteType") return "";
    const texts = await property(one, node, "EnumStrings");
    const wanted = point.codes.map((code) => code.split("=")[1]);
    const seen = (texts || []).map((text) => text.text);
    return seen.join() === wanted.join() ? "" : seen;
  },
};

const near = (range, low, high) => Boolean(range) && range.low === low && range.high === high;

async function property(one, node, name) {
  const nodeId = await found(one.session, node, `.0:${name}`);
  return nodeId ? value(one.session, nodeId) : undefined;
}

async function points(one, plan) {
  const listed = plan.points.filter((point) => point.analyzer === plan.analyzer);
  const lost = [];
  const nodes = [];
  for (const point of listed) {
    const [root, ...names] = point.opcua_path.split("/");
    const path = names.map((name) => `/${one.index}:${name}`).join("");
    const node = await found(one.session, root === "Objects" ? "ObjectsFolder" : root, path);
    const wanted = point.opcua_node_id.replace("nsu=urn:edgeflash:points", `ns=${one.index}`);
    if (!node || node.toString() !== wanted) lost.push([point.opcua_path, node, wanted]);
    else nodes.push([point, node]);
  }
  none("browse: every path of the point list leads to its NodeId", listed.length, lost);
  for (const [name, differs] of Object.entries(ASPECTS)) {
    const wrong = [];
    for (const [point, node] of nodes) {
      const seen = await differs(one, node, point);
      if (seen !== "") wrong.push([point.point, seen]);
    }
    none(`every point: ${name}`, nodes.length, wrong);
  }
  const quality = await property(one, one.id(`${plan.analyzer}.quality`), "EnumValues");
  const codes = (quality || []).map((each) => Number(each.value[1] ?? each.value));
  const wanted = plan.qualities.map((each) => each.modbus);
  // OPC 10000-8, 5.3.3.4 (MultiStateValueDiscreteType)
  equal("quality: EnumValues are the codes of the quality table", codes, wanted);
  const limit = await property(one, one.id(`${plan.analyzer}.flash_point_c`), "LowLimit");
  equal("flash point: LowLimit is the product's minimum", limit, plan.minimum);
}

async function objects(one, plan) {
  const answer = await one.session.browse({
    nodeId: one.id(plan.analyzer),
    referenceTypeId: "HierarchicalReferences",
    includeSubtypes: true,
    browseDirection: 0,
    resultMask: 63,
  });
  const names = answer.references.map((reference) => reference.browseName.name);
  const titles = plan.points
    .filter((point) => point.analyzer === plan.analyzer)
    .map((point) => point.title);
  none("browse: the analyzer has every point of the list", titles.length,
    titles.filter((title) => !names.includes(title)));
  equal("browse: and a nameplate, settings and diagnostics",
    ["Configuration", "Diagnostics", "Identification"].filter((name) => !names.includes(name)), []);
  // OPC 10000-5, 6.3.1 and 12.6: ServerStatus; state 0 is running
  const state = await value(one.session, "ns=0;i=2259");
  equal("server status: running", state, 0);
  const read = await one.session.read({
    nodeId: one.id(`${plan.analyzer}.none_such`), attributeId: AttributeIds.Value,
  });
  // OPC 10000-4, 7.38.2: common status codes
  equal("an unknown node is told as such", read.statusCode.name, "BadNodeIdUnknown");
  const now = await one.session.read({
    nodeId: one.id(`${plan.analyzer}.heartbeat`), attributeId: AttributeIds.Value,
  });
  equal("heartbeat: built-in type of its value", DataType[now.value.dataType], "UInt16");
}

module.exports = { found, objects, points, value };
