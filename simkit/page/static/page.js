// The live page: starts the machine in its worker, shows what it does, and hands it what the visitor does.

import { Gamepads, drawTouchPad, takeKeys } from "./hands.js";
import { Machine } from "./machine.js";
import { Numbers } from "./numbers.js";
import { takeFiles } from "./own.js";
import { Panel, Terminals, element } from "./parts.js";
import { Picture } from "./picture.js";
import { Tapes, linked } from "./tapes.js";

const STATE_MS = 200;
const INSIDE_MS = 500;

const by = (id) => document.getElementById(id);
const facts = JSON.parse(by("facts").textContent);
const numbers = new Numbers();
const picture = new Picture(by("screen"));

let machine = null;
let waiting = false; // for a frame of the worker's
let ready = false;
let looks = null;
let state = null;

function say(text) {
  by("said").textContent = text;
}

function fail(text) {
  by("trouble").textContent = text;
  by("trouble").hidden = false;
  by("stage").hidden = true;
}

function showLooks(now) {
  looks = now;
  picture.take(now.screen);
  by("place").hidden = by("read").hidden = !now.screen;
  panel.take(now);
  terminals.take(now);
  own.take(now);
  by("touch").hidden = !now.pads.length;
  if (now.pads.length) drawTouchPad(by("pad"), now.pads[0], machine);
  if (matchMedia("(pointer: coarse)").matches) by("touch").open = true;
  by("typing").hidden = !now.keyboard;
  by("takes-keys").hidden = !(now.keyboard || now.pads.length);
  by("remarks").replaceChildren(...now.notes.map((note) => element("li", { textContent: note })));
  by("remarks").hidden = !now.notes.length;
  by("board").textContent = `${now.name}: a ${now.part} at ${now.clock}.`;
  gamepads.forget();
  showMap();
}

async function showMap() {
  const { cards } = await machine.ask("map");
  by("map-rows").replaceChildren(
    ...cards.map(({ title, areas, registers }) => {
      const lines = registers.map((text) => element("div", { textContent: text }));
      const cells = [title, areas.join(", ")].map((text) => element("td", { textContent: text }));
      return element("tr", {}, ...cells, element("td", {}, ...lines));
    }),
  );
}

function showState(now) {
  state = now;
  const stands = now.failure ? "Stopped" : now.going ? "Running" : "Paused";
  by("going").textContent = `${stands}, ${now.seconds.toFixed(1)} s of machine time, ${now.speed_words}${now.halted ? `; the CPU is ${now.halted}` : ""}.`;
  by("pause").textContent = now.going ? "Pause" : "Start";
  by("count").textContent = now.findings;
  by("failure").textContent = now.failure;
  by("failure").hidden = !now.failure;
  for (const text of [...now.news, ...(now.tape?.news ? [now.tape.news] : [])]) say(text);
  panel.show(now.lamps);
  terminals.show(now.terminals);
  tapes.show(now.tape);
  for (const id of ["reset", "power", "type"]) by(id).disabled = Boolean(now.tape?.playing);
}

async function lookAtState() {
  showState(await machine.ask("state"));
  by("measured").replaceChildren(...numbers.words(state.share).map((text) => element("li", { textContent: text })));
  setTimeout(lookAtState, STATE_MS);
}

/** What lies open is kept up to date. */
async function lookInside() {
  if (by("inside").open) by("inside-text").textContent = (await machine.ask("inside")).lines.join("\n");
  if (by("read").open) by("read-text").textContent = (await machine.ask("text")).text;
  if (by("findings").open) {
    const { lines } = await machine.ask("findings");
    const shown = lines.map((line) => element(line.heading ? "h3" : "p", { textContent: line.text }));
    const key = lines.map((line) => line.text).join("\n");
    if (by("findings-text").dataset.key !== key) {
      by("findings-text").dataset.key = key;
      by("findings-text").replaceChildren(...shown);
    }
  }
  setTimeout(lookInside, INSIDE_MS);
}

function frame(now) {
  requestAnimationFrame(frame);
  numbers.frame(now);
  gamepads.look();
  if (!waiting) {
    waiting = true;
    machine.frame(picture.give());
  }
}

async function play(what) {
  const answer = await machine.ask("play", what);
  if (answer.problem) say(answer.problem);
  else {
    showLooks(answer);
    by("place").scrollIntoView({ block: "nearest" });
  }
}

function follow() {
  const what = linked(location.hash);
  if (what && ready) play(what);
}

const on = {
  stage: ({ words }) => {
    by("stage-words").textContent = words;
    by("progress").value += 1;
  },
  ready: (told) => {
    numbers.runtime = told.runtime;
    by("versions").textContent = `Python ${told.python}, Pyodide ${told.pyodide}.`;
    showLooks(told.looks);
    ready = true;
    by("controls").disabled = false;
    requestAnimationFrame(frame);
    lookAtState();
    lookInside();
    follow();
  },
  picture: ({ pixels }) => {
    waiting = false;
    picture.show(pixels);
    if (numbers.first === null) {
      by("poster")?.remove();
      by("stage").hidden = true;
      document.documentElement.dataset.started = "yes";
    }
    numbers.picture(performance.now());
  },
  still: () => {
    waiting = false;
    if (!looks.screen && !by("stage").hidden) {
      by("poster")?.remove();
      by("stage").hidden = true;
      document.documentElement.dataset.started = "yes";
    }
  },
  failed: ({ words }) => {
    waiting = true; // nothing more is asked of it
    fail(words);
  },
};

machine = new Machine(JSON.stringify({ recordings: facts.recordings }), on);
const panel = new Panel(by("panel"), machine);
const terminals = new Terminals(by("terminals"), machine);
const gamepads = new Gamepads(machine, say);
const own = takeFiles(by("own"), machine, showLooks, say);
const tapes = new Tapes(by("recordings"), facts.recordings, play, () => machine.ask("take_over"));

takeKeys(by("place"), by("takes-tab"), machine, by("pause"));
by("pause").addEventListener("click", () => machine.ask("go", { on: !state?.going }));
by("reset").addEventListener("click", () => machine.ask("reset"));
by("power").addEventListener("click", () => machine.ask("power"));
by("speed").addEventListener("change", () => machine.ask("speed", { speed: by("speed").value }));
by("typing").addEventListener("submit", async (event) => {
  event.preventDefault();
  const { problem, characters } = await machine.ask("type", { text: `${by("type").value}\n` });
  say(problem || `Typing ${characters} characters.`);
  if (!problem) by("type").value = "";
});
by("save").addEventListener("click", async () => {
  const bytes = await machine.bytes("recording");
  const link = element("a", { href: URL.createObjectURL(new Blob([bytes])), download: `${facts.name}.rec` });
  link.click();
  setTimeout(() => URL.revokeObjectURL(link.href), 10_000);
});
window.addEventListener("hashchange", follow);
document.addEventListener("visibilitychange", () => numbers.pause());
window.addEventListener("error", (event) => fail(event.message));
window.addEventListener("unhandledrejection", (event) => fail(String(event.reason?.message || event.reason)));

// For tests and for curious people, who may ask in the browser's console.
window.simkit = { machine, numbers, state: () => state };
