// The picture: sharp pixels in the shape that they have on a real screen.

export class Picture {
  constructor(canvas) {
    this.canvas = canvas;
    this.context = canvas.getContext("2d", { alpha: false });
    this.image = null;
    this.spare = null;
  }

  /** Another machine: `screen` says width, height and aspect, or is null. */
  take(screen) {
    this.canvas.hidden = !screen;
    if (!screen) return;
    const { width, height, aspect } = screen;
    if (this.canvas.width !== width || this.canvas.height !== height) {
      this.canvas.width = width;
      this.canvas.height = height;
    }
    // As wide as there is room, and no higher than most of the window; the shape is kept either way.
    const shape = (width * aspect[0]) / (height * aspect[1]);
    this.canvas.style.aspectRatio = shape;
    this.canvas.parentElement.style.width = `min(100%, 60rem, calc(78vh * ${shape}))`;
    this.image = this.context.createImageData(width, height);
  }

  /** Shows pixels, four bytes each; their buffer is the spare one of the next frame. */
  show(pixels) {
    const bytes = new Uint8ClampedArray(pixels);
    if (this.image && bytes.length === this.image.data.length) {
      this.image.data.set(bytes);
      this.context.putImageData(this.image, 0, 0);
    }
    this.spare = pixels;
  }

  /** The spare buffer, which is given away. */
  give() {
    const spare = this.spare;
    this.spare = null;
    return spare;
  }
}
