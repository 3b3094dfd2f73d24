// Recordings: a time line, chapters, and links that carry one.

import { element } from "./parts.js";

function clock(seconds) {
  const whole = Math.floor(seconds);
  return `${Math.floor(whole / 60)}:${String(whole % 60).padStart(2, "0")}`;
}

/** What a link asks for: #recording=1&chapter=2 or &at=12.5; null when it is none of ours. */
export function linked(hash) {
  const given = new URLSearchParams(hash.replace(/^#/, ""));
  if (!given.has("recording")) return null;
  const number = Number(given.get("recording")) - 1;
  if (given.has("chapter")) return { recording: number, chapter: Number(given.get("chapter")) - 1 };
  return { recording: number, seconds: Number(given.get("at") || 0) };
}

export class Tapes {
  /** `play` is called with what to play, `over` to take the machine over. */
  constructor(place, recordings, play, over) {
    this.recordings = recordings;
    this.caption = document.getElementById("caption");
    this.lines = recordings.map((recording, number) => {
      const line = element("input", { type: "range", min: 0, max: recording.seconds, step: "any", value: 0 });
      line.setAttribute("aria-label", `Time in ${recording.title}`);
      line.addEventListener("change", () => play({ recording: number, seconds: Number(line.value) }));
      const time = element("span", { className: "time", textContent: `0:00 of ${clock(recording.seconds)}` });
      const begin = element("button", { type: "button", textContent: "Play" });
      begin.addEventListener("click", () => play({ recording: number, seconds: 0 }));
      const end = element("button", { type: "button", textContent: "Take over", hidden: true });
      end.addEventListener("click", over);
      const chapters = recording.chapters.map((chapter, which) =>
        element("li", {}, element("a", {
          href: `#recording=${number + 1}&chapter=${which + 1}`,
          textContent: `${clock(chapter.seconds)} ${chapter.name}`,
        })),
      );
      const list = element("ol", { className: "chapters" }, ...chapters);
      place.append(element("section", {}, element("h3", { textContent: recording.title }), element("p", { className: "row" }, begin, end, line, time), list));
      return { line, time, end, list, dragged: false };
    });
    this.lines.forEach((one) => {
      one.line.addEventListener("input", () => (one.dragged = true));
      one.line.addEventListener("change", () => (one.dragged = false));
    });
  }

  show(tape) {
    this.lines.forEach((one, number) => {
      const here = tape && tape.recording === number;
      one.end.hidden = !(here && tape.playing);
      if (!here) return;
      if (!one.dragged) one.line.value = tape.seconds;
      one.time.textContent = `${clock(tape.seconds)} of ${clock(tape.length)}`;
    });
    const chapters = tape && tape.playing ? this.recordings[tape.recording].chapters : [];
    const now = chapters.findLastIndex((chapter) => chapter.seconds <= tape.seconds + 1e-6);
    const key = now < 0 ? "" : `${tape.recording}/${now}`;
    if (this.caption.dataset.chapter !== key) {
      this.caption.dataset.chapter = key;
      this.caption.innerHTML = now < 0 ? "" : chapters[now].caption; // made from Markdown when the page was built, HTML in it off
      this.caption.hidden = now < 0;
      this.lines.forEach((one, number) =>
        [...one.list.children].forEach((item, which) => {
          const current = tape && number === tape.recording && which === now;
          if (current) item.setAttribute("aria-current", "true");
          else item.removeAttribute("aria-current");
        }),
      );
    }
  }
}
