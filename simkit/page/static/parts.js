// What else a machine has besides a picture: lamps, push buttons, terminals.

function element(name, properties = {}, ...inside) {
  const made = Object.assign(document.createElement(name), properties);
  made.append(...inside);
  return made;
}

export { element };

/** Lamps and push buttons, a row a card. */
export class Panel {
  constructor(place, machine) {
    this.place = place;
    this.machine = machine;
    this.rows = [];
  }

  take(looks) {
    this.rows = looks.lamps.map((row) =>
      row.labels.map((label) => element("span", { className: "lamp", textContent: label })),
    );
    const rows = looks.lamps.map((row, number) => element("p", { className: "row" }, element("b", { textContent: row.title }), ...this.rows[number]));
    for (const card of looks.buttons) {
      const buttons = card.labels.map((label) => this.#button(card.slot, label));
      rows.push(element("p", { className: "row" }, element("b", { textContent: card.title }), ...buttons));
    }
    this.place.replaceChildren(...rows);
    this.place.hidden = !rows.length;
  }

  #button(slot, label) {
    const button = element("button", { type: "button", textContent: label });
    const push = (down) => {
      if (button.classList.contains("pressed") === down) return;
      button.classList.toggle("pressed", down);
      this.machine.ask("push", { slot, label, down });
    };
    button.addEventListener("pointerdown", () => push(true));
    for (const end of ["pointerup", "pointercancel", "pointerleave", "blur"]) button.addEventListener(end, () => push(false));
    button.addEventListener("keydown", (event) => {
      if (event.code === "Space" || event.code === "Enter") push(true);
    });
    button.addEventListener("keyup", () => push(false));
    return button;
  }

  show(levels) {
    levels.forEach((row, number) =>
      row.forEach((lit, lamp) => {
        const shown = this.rows[number]?.[lamp];
        if (!shown) return;
        shown.classList.toggle("lit", lit);
        shown.setAttribute("aria-label", `${shown.textContent}: ${lit ? "lit" : "dark"}`);
      }),
    );
  }
}

const WITHOUT_TEXT = new Set(["Enter", "NumpadEnter", "Backspace", "Escape", "Delete"]);

/** Terminals at the machine's serial lines. */
export class Terminals {
  constructor(place, machine) {
    this.place = place;
    this.machine = machine;
    this.shown = [];
  }

  take(looks) {
    this.shown = looks.terminals.map((title, number) => this.#terminal(title, number));
    this.place.replaceChildren(...this.shown.map(({ whole }) => whole));
    this.place.hidden = !this.shown.length;
  }

  #terminal(title, number) {
    const text = element("pre", { className: "terminal", tabIndex: 0 });
    text.setAttribute("role", "log");
    text.setAttribute("aria-label", `Terminal of ${title}; type while it has the focus`);
    const head = element("h2", { textContent: `Terminal: ${title}` });
    const line = element("input", { type: "text", autocomplete: "off", spellcheck: false });
    line.setAttribute("aria-label", "A line to send");
    const form = element("form", { className: "line" }, line, element("button", { textContent: "Send" }));
    text.addEventListener("keydown", (event) => {
      if (event.metaKey || event.altKey) return;
      if (WITHOUT_TEXT.has(event.code)) this.machine.ask("terminal", { number, code: event.code });
      else if (event.ctrlKey && /^Key[A-Z]$/.test(event.code)) this.machine.ask("terminal", { number, code: event.code, control: true });
      else if (event.key.length === 1 && !event.ctrlKey) this.machine.ask("terminal", { number, text: event.key });
      else return;
      event.preventDefault();
    });
    form.addEventListener("submit", (event) => {
      event.preventDefault();
      if (line.value) this.machine.ask("terminal", { number, text: line.value });
      this.machine.ask("terminal", { number, code: "Enter" });
      line.value = "";
    });
    return { whole: element("section", {}, head, text, form), text, before: "" };
  }

  show(terminals) {
    terminals.forEach(({ lines }, number) => {
      const place = this.shown[number];
      const now = lines.join("\n");
      if (!place || now === place.before) return;
      place.before = now;
      const follows = place.text.scrollTop + place.text.clientHeight >= place.text.scrollHeight - 4;
      place.text.textContent = now;
      if (follows) place.text.scrollTop = place.text.scrollHeight;
    });
  }
}
