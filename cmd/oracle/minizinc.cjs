// Runs one MiniZinc model with the solvers that the npm package "minizinc"
// carries as WebAssembly, in Node without a MiniZinc installation.
//
//   node minizinc.cjs FOLDER ARGUMENT…
//
// FOLDER has node_modules/minizinc. Arguments are MiniZinc's own; files named
// *.mzn and *.dzn are read here and handed over. Each message of the driver is
// one line of JSON. The package's worker script expects a browser's worker:
// this gives it the few names it asks for.
const fs = require("fs"), path = require("path"), vm = require("vm");

const [, , folder, ...args] = process.argv;
const dist = path.join(folder, "node_modules", "minizinc", "dist");
const script = path.join(dist, "minizinc-worker.js");
const isFile = (a) => /\.(mzn|dzn)$/.test(a);
const files = Object.fromEntries(args.filter(isFile).map((a) => [path.basename(a), fs.readFileSync(a, "utf8")]));

let receive;
let asked = false;
Object.assign(globalThis, {
  require,
  __filename: script,
  __dirname: dist,
  addEventListener: (kind, handler) => { if (kind === "message") receive = handler; },
  postMessage: (message) => {
    if (message.type !== "ready") {
      console.log(JSON.stringify(message));
      return;
    }
    if (asked) return; // ready again: done
    asked = true;
    receive({ data: { jsonStream: true, files, args: args.map((a) => (isFile(a) ? path.basename(a) : a)) } });
  },
});
vm.runInThisContext(fs.readFileSync(script, "utf8"), { filename: script });
receive({ data: { wasmURL: path.join(dist, "minizinc.wasm"), dataURL: path.join(dist, "minizinc.data") } });
