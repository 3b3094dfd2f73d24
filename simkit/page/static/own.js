// The visitor's own ROM: dropped anywhere on the page, or chosen; with label lists, if there are any.

import { element } from "./parts.js";

let number = 0;

/** Puts files where the machine can read them, each lot in a folder of its own; gives their paths. */
async function handOver(files, machine) {
  number += 1;
  const paths = [];
  for (const file of files) {
    const path = `/own/${number}/${file.name.replace(/[/\\]/g, "_")}`;
    machine.file(path, new Uint8Array(await file.arrayBuffer()));
    paths.push(path);
  }
  return paths;
}

/** `loaded` is called with the looks of the new machine, `say` with what went wrong or what came of it. */
export function takeFiles(place, machine, loaded, say) {
  const input = place.querySelector("input[type=file]");
  const socket = place.querySelector("select");
  const own = place.querySelector("button.own");

  async function take(files) {
    if (!files.length) return;
    const paths = await handOver(files, machine);
    const slot = socket.options.length > 1 ? { slot: Number(socket.value) } : {};
    const answer = await machine.ask("load", { files: paths, ...slot });
    if (answer.problem) {
      say(answer.problem);
      return;
    }
    own.hidden = false;
    loaded(answer);
    say(`Running ${[...files].map((file) => file.name).join(", ")} on this board.`);
  }

  input.addEventListener("change", () => take(input.files).then(() => (input.value = "")));
  own.addEventListener("click", async () => {
    own.hidden = true;
    loaded(await machine.ask("own"));
    say("The machine as it was published.");
  });
  document.addEventListener("dragover", (event) => event.preventDefault());
  document.addEventListener("drop", (event) => {
    event.preventDefault();
    take(event.dataTransfer.files);
  });
  return {
    /** Another machine may have other sockets. */
    take(looks) {
      const before = socket.value;
      socket.replaceChildren(...looks.sockets.map((slot) => element("option", { value: slot, textContent: `slot ${slot}` })));
      if (looks.sockets.map(String).includes(before)) socket.value = before;
      socket.parentElement.hidden = looks.sockets.length < 2;
    },
  };
}
