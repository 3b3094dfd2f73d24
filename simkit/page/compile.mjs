// Compiles the Python packages of a page by the very Python that will run them, so that browsers need not.
//
//   node compile.mjs RUNTIME < python.zip > compiled.zip
import { join } from "node:path";
import { pathToFileURL } from "node:url";

const COMPILE = `
import importlib.util, io, marshal, zipfile

UNCHECKED = (1).to_bytes(4, "little")  # a hash follows, and nobody compares it with a source (PEP 552)
DATE = (1980, 1, 1, 0, 0, 0)

def compiled(name, source):
    code = compile(source, "/code/" + name, "exec", dont_inherit=True)
    return importlib.util.MAGIC_NUMBER + UNCHECKED + importlib.util.source_hash(source) + marshal.dumps(code)

found = io.BytesIO()
with zipfile.ZipFile("/python.zip") as sources, zipfile.ZipFile(found, "w") as archive:
    for name in sources.namelist():
        data = sources.read(name)
        if name.endswith(".py"):
            name, data = name + "c", compiled(name, data)
        info = zipfile.ZipInfo(name, DATE)
        info.compress_type = zipfile.ZIP_DEFLATED
        archive.writestr(info, data, compresslevel=9)
found.getvalue()
`;

const { loadPyodide } = await import(pathToFileURL(join(process.argv[2], "pyodide.mjs")).href);
const python = await loadPyodide();
const pieces = [];
for await (const piece of process.stdin) pieces.push(piece);
python.FS.writeFile("/python.zip", Buffer.concat(pieces));
const proxy = python.runPython(COMPILE);
const buffer = proxy.getBuffer("u8");
process.stdout.write(buffer.data);
