// The visitor's hands: keys by physical position while the picture has the focus, gamepads, buttons on the glass.

const MODIFIERS = new Set(["Control", "Shift", "Alt", "Meta", "AltGraph"]);

/**
 * Keys go to the machine while `place` has the focus. Tab moves on, as everywhere, unless `takesTab` is ticked; then
 * both Shift keys together give the keys back.
 */
export function takeKeys(place, takesTab, machine, next) {
  const shifts = new Set();
  const held = new Set();
  place.addEventListener("keydown", (event) => {
    if (event.code === "Tab" && !takesTab.checked) return;
    if (event.code.startsWith("Shift")) {
      shifts.add(event.code);
      if (shifts.size === 2 && takesTab.checked) {
        next.focus();
        return;
      }
    } else if (!event.repeat) {
      shifts.clear();
    }
    // What the browser itself does with Ctrl, Alt or Meta and a key it goes on doing.
    const combined = !MODIFIERS.has(event.key) && (event.ctrlKey || event.altKey || event.metaKey);
    if (!combined) event.preventDefault();
    if (event.metaKey || event.repeat) return;
    held.add(event.code);
    machine.ask("key", { code: event.code, down: true });
  });
  place.addEventListener("keyup", (event) => {
    shifts.delete(event.code);
    if (!held.delete(event.code)) return;
    event.preventDefault();
    machine.ask("key", { code: event.code, down: false });
  });
  const letGo = () => {
    shifts.clear();
    held.clear();
    machine.ask("let_go");
  };
  place.addEventListener("blur", letGo);
  window.addEventListener("blur", letGo);
  place.addEventListener("pointerdown", () => place.focus());
}

/** Gamepads, looked at once a frame; what changed is told. */
export class Gamepads {
  constructor(machine, say) {
    this.machine = machine;
    this.say = say;
    this.known = new Map();
  }

  forget() {
    this.known.clear();
  }

  look() {
    if (!navigator.getGamepads) return;
    const there = new Set();
    for (const pad of navigator.getGamepads()) {
      if (!pad || !pad.connected) continue;
      there.add(pad.index);
      const buttons = pad.buttons.flatMap((button, number) => (button.pressed ? [number] : []));
      const axes = pad.axes.map((value) => Math.round(value * 50) / 50);
      const now = JSON.stringify([buttons, axes]);
      if (this.known.get(pad.index) === now) continue;
      const isNew = !this.known.has(pad.index);
      this.known.set(pad.index, now);
      const told = { number: pad.index, buttons, axes, standard: pad.mapping === "standard" };
      this.machine.ask("gamepad", told).then(({ pad: plays }) => {
        if (isNew) this.say(plays ? `A gamepad plays pad ${plays}.` : "A gamepad was found; there is no free pad.");
      });
    }
    for (const index of this.known.keys()) {
      if (there.has(index)) continue;
      this.known.delete(index);
      this.machine.ask("gamepad_gone", { number: index });
      this.say("A gamepad was pulled out.");
    }
  }
}

const DIRECTIONS = ["up", "left", "right", "down"];

/** Buttons of pad 1 on the glass; a finger may slide from one to the next, several may be down. */
export function drawTouchPad(place, buttons, machine) {
  place.replaceChildren();
  const cross = document.createElement("div");
  cross.className = "cross";
  const others = document.createElement("div");
  others.className = "others";
  place.append(cross, others);
  for (const name of [...DIRECTIONS.filter((way) => buttons.includes(way)), ...buttons.filter((one) => !DIRECTIONS.includes(one))]) {
    const button = document.createElement("button");
    button.type = "button";
    button.dataset.button = name;
    button.textContent = name;
    button.className = DIRECTIONS.includes(name) ? `way ${name}` : "other";
    (DIRECTIONS.includes(name) ? cross : others).append(button);
  }
  const under = new Map(); // button by pointer
  const set = (pointer, button) => {
    const before = under.get(pointer);
    if (before === button) return;
    if (button) under.set(pointer, button);
    else under.delete(pointer);
    const held = [...under.values()];
    if (before && !held.includes(before)) move(before, false);
    if (button && held.filter((one) => one === button).length === 1) move(button, true);
  };
  const move = (button, down) => {
    button.classList.toggle("pressed", down);
    machine.ask("touch", { pad: 1, button: button.dataset.button, down });
  };
  const buttonAt = (event) => {
    const found = document.elementFromPoint(event.clientX, event.clientY)?.closest("button");
    return found && place.contains(found) ? found : null;
  };
  place.onpointerdown = (event) => {
    if (event.target.hasPointerCapture?.(event.pointerId)) event.target.releasePointerCapture(event.pointerId);
    set(event.pointerId, buttonAt(event));
  };
  place.onpointermove = (event) => {
    if (event.pointerType !== "mouse" || event.buttons) set(event.pointerId, buttonAt(event));
  };
  place.onpointerup = place.onpointercancel = place.onpointerleave = (event) => set(event.pointerId, null);
  place.oncontextmenu = (event) => event.preventDefault();
  // With a keyboard: a key that presses a button holds it as long as it is down.
  place.onkeydown = (event) => {
    if ((event.code === "Space" || event.code === "Enter") && event.target.dataset?.button) {
      event.preventDefault();
      set("key", event.target);
    }
  };
  place.onkeyup = (event) => {
    if (event.code === "Space" || event.code === "Enter") set("key", null);
  };
}
