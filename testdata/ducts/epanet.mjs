// Solves duct networks posed as pipe networks of air, with the water-network
// solver of npm epanet-js (MIT). Usage: node epanet.mjs network.json; the answer
// goes to standard output. epanet_test.go in control/duct writes the network.
//
// Heads are metres of air, so 1 m = density * g Pa. A head is total pressure: the
// solver knows no velocity head. The linear filter is a general-purpose valve.
import { Project, Workspace, NodeProperty, LinkProperty } from "epanet-js";
import fs from "fs";

const net = JSON.parse(fs.readFileSync(process.argv[2], "utf8"));
const perMetre = net.density * 9.80665;
const viscosity = 1.825e-5 / net.density; // m2/s; below 1e-3 it is taken as it is

function file(pipes) {
  const nodes = new Set(["FIN", "FOUT"]);
  for (const p of pipes) { if (p.from) nodes.add(p.from); nodes.add(p.to); }
  const far = 2 * net.fan[net.fan.length - 1][0];
  return [
    "[JUNCTIONS]", ...[...nodes].map((n) => ` ${n} 0 0`),
    "[RESERVOIRS]", " ATM 0", " OUT 0",
    "[PIPES]", ...pipes.map((p) => ` ${p.name} ${p.from || "ATM"} ${p.to} ${p.l} ${p.d * 1000} ${p.e * 1000} ${p.k}`),
    "[PUMPS]", " FAN FIN FOUT HEAD FANCURVE",
    "[VALVES]", " FILT FOUT OUT 200 GPV FILTCURVE 0",
    "[CURVES]", ...net.fan.map(([q, p]) => ` FANCURVE ${q * 1000} ${p / perMetre}`),
    ...[0, 0.5, 1].map((x) => ` FILTCURVE ${x * far * 1000} ${(x * far * net.filter) / perMetre}`),
    "[OPTIONS]", " UNITS LPS", " HEADLOSS D-W", ` VISCOSITY ${viscosity}`, ` SPECIFIC GRAVITY ${net.density / 1000}`,
    " ACCURACY 1e-9", " TRIALS 500",
    "[TIMES]", " DURATION 0", "[REPORT]", " STATUS NO", "[END]", "",
  ].join("\n");
}

const ws = new Workspace();
await ws.loadModule();
const states = [];
let spent = 0, runs = 0;
net.states.forEach((pipes, i) => {
  const m = new Project(ws);
  ws.writeFile("n.inp", file(pipes));
  m.open("n.inp", "r.rpt", "o.bin");
  m.solveH();
  for (let r = 0; r < (net.repeat || 0); r++) {
    const t0 = process.hrtime.bigint();
    m.solveH();
    spent += Number(process.hrtime.bigint() - t0) / 1e3;
    runs++;
  }
  const s = { open: net.opens[i], flow_m3_s: {}, pressure_pa: {} };
  for (const p of pipes) {
    s.flow_m3_s[p.name] = m.getLinkValue(m.getLinkIndex(p.name), LinkProperty.Flow) / 1000;
    s.pressure_pa[p.name] = m.getNodeValue(m.getNodeIndex(p.to), NodeProperty.Head) * perMetre;
  }
  states.push(s);
  m.close();
});
console.log(JSON.stringify({ states, microseconds: runs ? spent / runs : 0 }));
