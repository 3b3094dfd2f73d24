// Runs a Python program, read from the standard input, in Pyodide.
//
//   node in_pyodide.mjs PYODIDE PACKAGES
//
// PYODIDE is the folder of the npm package, PACKAGES one with unpacked Python packages. What the program leaves in
// `result` is printed as JSON.
import { readFileSync } from "node:fs";
import { join } from "node:path";
import { pathToFileURL } from "node:url";

const [pyodideFolder, packages] = process.argv.slice(2);
const { loadPyodide } = await import(pathToFileURL(join(pyodideFolder, "pyodide.mjs")).href);
const python = await loadPyodide();
python.mountNodeFS("/packages", packages);
python.runPython("import sys; sys.path.insert(0, '/packages')");
python.runPython(readFileSync(0, "utf8"));
process.stdout.write(python.runPython("import json; json.dumps(result)"));
