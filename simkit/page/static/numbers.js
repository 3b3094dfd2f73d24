// What was measured on this computer: how long it took to start, how evenly pictures come, what speed is reached.

export const FIRST_SECONDS = 10;
export const SLOW_MS = 33;

export class Numbers {
  constructor() {
    this.began = performance.now();
    this.runtime = null;
    this.first = null;
    this.last = null;
    this.gaps = [];
    this.pictures = [];
  }

  /** A frame of the display, while the machine goes; `now` in milliseconds. */
  frame(now) {
    if (this.first !== null && now - this.first <= FIRST_SECONDS * 1000 && this.last !== null) this.gaps.push(now - this.last);
    this.last = now;
  }

  /** The page was out of sight: what lies between is no frame. */
  pause() {
    this.last = null;
  }

  /** A picture was shown. */
  picture(now) {
    if (this.first === null) this.first = now;
    this.pictures.push(now);
    while (this.pictures[0] < now - 2000) this.pictures.shift();
  }

  get picturesPerSecond() {
    const shown = this.pictures;
    return shown.length < 2 ? 0 : ((shown.length - 1) * 1000) / (shown[shown.length - 1] - shown[0]);
  }

  /** Part of the frames of the first seconds that came in time. */
  get inTime() {
    return this.gaps.length ? this.gaps.filter((gap) => gap < SLOW_MS).length / this.gaps.length : null;
  }

  get all() {
    return {
      runtime: this.runtime,
      first: this.first === null ? null : this.first - this.began,
      picturesPerSecond: this.picturesPerSecond,
      frames: this.gaps.length,
      inTime: this.inTime,
    };
  }

  words(share) {
    const { runtime, first, frames, inTime } = this.all;
    const lines = [];
    if (runtime !== null) lines.push(`Python was ready after ${(runtime / 1000).toFixed(1)} s.`);
    if (first !== null) lines.push(`The first picture came after ${(first / 1000).toFixed(1)} s.`);
    if (this.pictures.length > 1) lines.push(`${this.picturesPerSecond.toFixed(1)} new pictures a second.`);
    if (frames) {
      const when = `of ${frames} frames in the first ${FIRST_SECONDS} s`;
      lines.push(`${(100 * inTime).toFixed(1)} % ${when} came within ${SLOW_MS} ms.`);
    }
    if (share) lines.push(`The machine runs at ${Math.round(100 * share)} % of its clock.`);
    return lines;
  }
}
