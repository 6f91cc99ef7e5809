// What each role may do to the analyzer. OPC 10000-4, 5.11.2 (Call); OPC 10000-3, 5.7 (Method).
"use strict";

const { AttributeIds, DataType, Variant } = require("node-opcua");
const { equal, holds, none } = require("./checks");

const METHODS = [
  "start_maintenance",
  "end_maintenance",
  "start_check_sample",
  "end_check_sample",
  "start_test_signal",
  "end_test_signal",
  "acknowledge_alarm",
];
const MINUTES = new Variant({ dataType: DataType.Double, value: 5 });
const BECAUSE = new Variant({ dataType: DataType.String, value: "new electrodes" });
const TEST_VALUE = 77.25;

class Methods {
  constructor(who, plan, values) {
    this.who = who;
    this.plan = plan;
    this.values = values;
  }

  async call(one, method, inputArguments = []) {
    const result = await one.session.call({
      objectId: one.id(this.plan.analyzer),
      methodId: one.id(`${this.plan.analyzer}.method.${method}`),
      inputArguments,
    });
    return { code: result.statusCode.name, each: (result.inputArgumentResults || []).map(
      (code) => code.name) };
  }

  async described() {
    const { olive } = this.who;
    const bare = [];
    for (const method of METHODS) {
      const node = olive.id(`${this.plan.analyzer}.method.${method}`);
      const found = await olive.session.browse({ nodeId: node, referenceTypeId: "HasProperty",
        browseDirection: 0, resultMask: 63 });
      const given = found.references.find((each) => each.browseName.name === "InputArguments");
      if (!given) {
        if (!method.startsWith("end_") || method === "end_test_signal") bare.push(method);
        continue;
      }
      const read = await olive.session.read({ nodeId: given.nodeId,
        attributeId: AttributeIds.Value });
      for (const argument of read.value.value)
        if (!argument.name || !argument.description.text) bare.push([method, argument.name]);
    }
    none("methods: every argument has a name and a description", METHODS.length, bare);
    const may = {};
    for (const [name, one] of Object.entries(this.who)) {
      may[name] = [];
      for (const method of ["start_maintenance", "start_test_signal"])
        may[name].push((await one.session.read({
          nodeId: one.id(`${this.plan.analyzer}.method.${method}`),
          attributeId: AttributeIds.UserExecutable })).value.value);
    }
    equal("methods: UserExecutable by role", [may.oscar, may.olive, may.erin, may.anybody],
      [[false, false], [true, false], [true, true], [false, false]]);
  }

  async refused() {
    const { oscar, olive, anybody } = this.who;
    const denied = "BadUserAccessDenied";
    const test = this.test(TEST_VALUE);
    const all = [];
    for (const method of METHODS)
      all.push((await this.call(oscar, method, this.sound(method))).code);
    equal("observer: may call none", all, METHODS.map(() => denied));
    equal("nobody over None: maintenance refused",
      (await this.call(anybody, "start_maintenance", [MINUTES, BECAUSE])).code, denied);
    equal("operator: a test signal refused",
      (await this.call(olive, "start_test_signal", test)).code, denied);
    equal("call: an argument missing",
      (await this.call(olive, "start_maintenance", [MINUTES])).code, "BadArgumentsMissing");
    equal("call: one too many", (await this.call(olive, "start_maintenance",
      [MINUTES, BECAUSE, BECAUSE])).code, "BadTooManyArguments");
    const zero = new Variant({ dataType: DataType.Double, value: 0 });
    equal("call: no minutes", await this.call(olive, "start_maintenance", [zero, BECAUSE]),
      { code: "BadInvalidArgument", each: ["BadOutOfRange", "Good"] });
    equal("call: minutes in words", await this.call(olive, "start_maintenance",
      [BECAUSE, BECAUSE]), { code: "BadInvalidArgument", each: ["BadTypeMismatch", "Good"] });
    // The table of operation level results has one for the method and one for any node.
    const unknown = (await this.call(olive, "open_valve")).code;
    holds("call: no such method", /^Bad(MethodInvalid|NodeIdUnknown)$/.test(unknown), unknown,
      "BadMethodInvalid or BadNodeIdUnknown");
  }

  // Arguments with which somebody who may could call it.
  sound(method) {
    const text = (value) => new Variant({ dataType: DataType.String, value });
    if (method === "start_test_signal") return this.test(TEST_VALUE);
    if (method === "end_test_signal") return [text("")];
    if (method === "acknowledge_alarm") return [text("clock"), BECAUSE];
    return method.startsWith("start_") ? [MINUTES, BECAUSE] : [];
  }

  test(value) {
    return [
      new Variant({ dataType: DataType.String, value: "flash_point_c" }),
      new Variant({ dataType: DataType.Double, value }),
      new Variant({ dataType: DataType.UInt16, value: 0 }),
      new Variant({ dataType: DataType.Double, value: 60 }),
    ];
  }

  async done() {
    const { olive, erin } = this.who;
    equal("operator: starts maintenance",
      (await this.call(olive, "start_maintenance", [MINUTES, BECAUSE])).code, "Good");
    const out = await this.values.when((now) => now.quality.value.value === 15);
    this.values.status("maintenance", out, "BadOutOfService");
    equal("operator: ends maintenance", (await this.call(olive, "end_maintenance")).code, "Good");
    const back = await this.values.when((now) => now.flash_point_c.statusCode.value === 0);
    this.values.status("after maintenance", back, "Good");
    const check = await this.call(olive, "start_check_sample", [MINUTES, BECAUSE]);
    equal("operator: starts and ends a check sample",
      [check.code, (await this.call(olive, "end_check_sample")).code], ["Good", "Good"]);
    equal("engineer: starts a test signal",
      (await this.call(erin, "start_test_signal", this.test(TEST_VALUE))).code, "Good");
    const shown = await this.values.when(
      (now) => now.flash_point_c.value.value === TEST_VALUE);
    equal("test signal: is shown", shown.flash_point_c.value.value, TEST_VALUE);
    equal("engineer: ends it", (await this.call(erin, "end_test_signal",
      [new Variant({ dataType: DataType.String, value: "" })])).code, "Good");
    const real = await this.values.when((now) => now.flash_point_c.value.value !== TEST_VALUE);
    holds("test signal: the real value is back", real.flash_point_c.value.value !== TEST_VALUE,
      real.flash_point_c.value.value, "another");
    const nothing = await this.call(olive, "acknowledge_alarm", this.sound("acknowledge_alarm"));
    equal("operator: nothing to acknowledge is told so", nothing.code, "BadInvalidState");
  }
}

module.exports = { Methods };
