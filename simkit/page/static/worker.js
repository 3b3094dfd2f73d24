// The worker of the page: Python, the kit's code in it, and the machine. The page tells it what the visitor does.
//
// From the page:  {do: "start"}, {do: "frame", id?, spare}, {do: "ask", id, asked}, {do: "file", path, bytes},
//                 {do: "bytes", id, name}
// To the page:    {tell: "stage", words}, {tell: "ready", ...}, {tell: "picture", pixels}, {tell: "still"},
//                 {tell: "answer", id, answer}, {tell: "failed", words}
import { loadPyodide } from "./runtime/pyodide.mjs";

const BOOT = `
import sys, zipfile
sys.dont_write_bytecode = True
zipfile.ZipFile("/code.zip").extractall("/code")
sys.path.insert(0, "/code")
from simkit.page.host import open_host
`;

let python = null;
let host = null;
let palette = null;

async function bytesOf(name) {
  const answer = await fetch(name);
  if (!answer.ok) {
    throw new Error(`The file ${name} of this page is not there (${answer.status}). Its folder has to be copied whole.`);
  }
  return new Uint8Array(await answer.arrayBuffer());
}

/** Words that a person can read of whatever went wrong: the simulator's errors are such, of others the last line says what. */
function wordsOf(error) {
  const text = String((error && error.message) || error).trimEnd();
  if (!text.includes("Traceback")) return text;
  const lines = text.split("\n");
  const own = lines.findLastIndex((line) => /^simkit\.[\w.]+: /.test(line));
  if (own >= 0) return lines.slice(own).join("\n").replace(/^[\w.]+: /, "");
  return `A mistake in the simulator: ${lines[lines.length - 1]}`;
}

async function start(facts) {
  const began = performance.now();
  postMessage({ tell: "stage", words: "Getting the Python runtime" });
  const files = Promise.all([bytesOf("python.zip"), bytesOf("machine.kit")]);
  files.catch(() => {}); // told below
  python = await loadPyodide({ indexURL: new URL("./runtime/", import.meta.url).href });
  const runtime = performance.now() - began;
  postMessage({ tell: "stage", words: "Unpacking the simulator" });
  const [code, kit] = await files;
  python.FS.writeFile("/code.zip", code);
  python.FS.writeFile("/machine.kit", kit);
  python.runPython(BOOT);
  postMessage({ tell: "stage", words: "Switching the machine on" });
  const open = python.globals.get("open_host");
  host = open("/machine.kit", facts);
  open.destroy();
  const looks = take(host.ask('{"do":"looks"}'));
  postMessage({ tell: "ready", looks, runtime, python: python.runPython("import sys; sys.version.split()[0]"), pyodide: python.version });
}

/** An answer of the machine's; a machine that is another one now has other colours. */
function take(text) {
  const answer = JSON.parse(text);
  if (answer.screen !== undefined) {
    palette = answer.screen && Uint32Array.from(answer.screen.palette, ([r, g, b]) => (255 << 24) | (b << 16) | (g << 8) | r);
  }
  return answer;
}

function frame(spare) {
  if (!host.frame()) {
    postMessage({ tell: "still" });
    return;
  }
  const proxy = host.picture();
  const buffer = proxy.getBuffer("u8");
  const size = buffer.data.length;
  const pixels = spare && spare.byteLength === 4 * size ? new Uint32Array(spare) : new Uint32Array(size);
  for (let n = 0; n < size; n += 1) pixels[n] = palette[buffer.data[n]];
  buffer.release();
  proxy.destroy();
  postMessage({ tell: "picture", pixels: pixels.buffer }, [pixels.buffer]);
}

/** Bytes that a method of the host gives. */
function given(name) {
  const proxy = host[name]();
  const buffer = proxy.getBuffer("u8");
  const copy = buffer.data.slice();
  buffer.release();
  proxy.destroy();
  return copy;
}

const DOES = {
  start: ({ facts }) => start(facts),
  frame: ({ spare }) => frame(spare),
  ask: ({ id, asked }) => postMessage({ tell: "answer", id, answer: take(host.ask(JSON.stringify(asked))) }),
  file: ({ path, bytes }) => {
    python.FS.mkdirTree(path.slice(0, path.lastIndexOf("/")));
    python.FS.writeFile(path, bytes);
  },
  bytes: ({ id, name }) => {
    const answer = given(name);
    postMessage({ tell: "answer", id, answer }, [answer.buffer]);
  },
};

self.onmessage = async ({ data }) => {
  try {
    await DOES[data.do](data);
  } catch (error) {
    postMessage({ tell: "failed", words: wordsOf(error) });
  }
};
