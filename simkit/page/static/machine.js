// The machine in the worker, as the rest of the page asks it.

/** Starts the worker; `on` has a function for each kind of message it tells besides answers. */
export class Machine {
  constructor(facts, on) {
    this.worker = new Worker(new URL("./worker.js", import.meta.url), { type: "module" });
    this.on = on;
    this.waiting = new Map();
    this.number = 0;
    this.worker.onmessage = ({ data }) => this.#hear(data);
    this.worker.onerror = (event) => on.failed({ words: event.message || "The machine's worker could not be started." });
    this.worker.postMessage({ do: "start", facts });
  }

  #hear(data) {
    if (data.tell === "answer") {
      this.waiting.get(data.id)(data.answer);
      this.waiting.delete(data.id);
    } else {
      this.on[data.tell](data);
    }
  }

  #wait(message, transfer = []) {
    const id = (this.number += 1);
    return new Promise((resolve) => {
      this.waiting.set(id, resolve);
      this.worker.postMessage({ ...message, id }, transfer);
    });
  }

  /** Asks for a frame; `spare` is a buffer of pixels that is not needed any more. */
  frame(spare) {
    this.worker.postMessage({ do: "frame", spare }, spare ? [spare] : []);
  }

  /** Asks the host; gives its answer, in which `problem` is a text for people. */
  ask(what, more = {}) {
    return this.#wait({ do: "ask", asked: { do: what, ...more } });
  }

  /** Bytes that a method of the host gives. */
  bytes(name) {
    return this.#wait({ do: "bytes", name });
  }

  /** Puts a file where the machine can read it. */
  file(path, bytes) {
    this.worker.postMessage({ do: "file", path, bytes }, [bytes.buffer]);
  }
}
