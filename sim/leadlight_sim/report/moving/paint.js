// What all drawings share: a canvas that is as sharp as the screen, the page's colours, scales, and words on it.
"use strict";

const TINTS = ["paper", "ink", "soft", "rule", "ours", "worst", "naive", "limit", "fault", "show", "night", "unlit", "glow"];
let tints = {};

function readTints() {
  const style = getComputedStyle(document.documentElement);
  tints = Object.fromEntries(TINTS.map((name) => [name, style.getPropertyValue(`--${name}`).trim()]));
}

class Surface {
  constructor(canvas, height) {
    this.canvas = canvas;
    this.context = canvas.getContext("2d");
    this.heightAt = height;
    this.sharpness = 1;
  }

  // Clear, and fit to the room there is; drawings are in px of the page.
  begin() {
    const width = Math.max(240, Math.floor(this.canvas.parentElement.clientWidth));
    const height = Math.round(this.heightAt(width));
    const ratio = Math.max(window.devicePixelRatio || 1, this.sharpness);
    if (this.canvas.width !== Math.round(width * ratio) || this.canvas.height !== Math.round(height * ratio)) {
      this.canvas.width = Math.round(width * ratio);
      this.canvas.height = Math.round(height * ratio);
      this.canvas.style.height = `${height}px`;
    }
    this.width = width;
    this.height = height;
    this.context.setTransform(ratio, 0, 0, ratio, 0, 0);
    this.context.clearRect(0, 0, width, height);
    return this.context;
  }

  // Say for whoever looks at the drawing from outside what it shows.
  told(at, values) {
    this.canvas.dataset.at = String(at);
    this.canvas.dataset.paper = tints.paper;
    this.canvas.shown = values;
  }

  text(words, x, y, tint = tints.soft, align = "left", weight = "normal", size = 11.5) {
    const c = this.context;
    c.font = `${weight} ${size}px "DejaVu Sans", Verdana, sans-serif`;
    c.textAlign = align;
    c.textBaseline = "middle";
    c.fillStyle = tint;
    c.fillText(words, x, y);
    return c.measureText(words).width;
  }

  // Text cut in its middle until it fits.
  fitted(words, room, size = 11.5) {
    const c = this.context;
    c.font = `normal ${size}px "DejaVu Sans", Verdana, sans-serif`;
    if (c.measureText(words).width <= room) return words;
    for (let kept = words.length - 1; kept > 2; kept--) {
      const end = Math.min(4, Math.floor(kept / 3));
      const cut = `${words.slice(0, kept - end).trimEnd()}…${words.slice(words.length - end)}`;
      if (c.measureText(cut).width <= room) return cut;
    }
    return "";
  }
}

const FLOOR_MS = 0.01;

// Distances on a logarithmic scale: it has no zero, so what is smaller than the floor is drawn at the floor.
function logScale(largest, top, bottom) {
  const low = Math.log10(FLOOR_MS), high = Math.log10(Math.max(largest, 1) * 1.5);
  const scale = (ms) => bottom - ((Math.log10(Math.max(Math.abs(ms), FLOOR_MS)) - low) / (high - low)) * (bottom - top);
  scale.decades = [];
  for (let exponent = low; exponent <= high; exponent++) scale.decades.push(10 ** exponent);
  return scale;
}

function decadeText(ms) {
  return ms < 0.999 ? `${+(ms * 1000).toPrecision(3)} µs` : ms < 999 ? `${+ms.toPrecision(3)} ms` : `${+(ms / 1000).toPrecision(3)} s`;
}

function timeTicks(from, to, most) {
  const steps = [0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 14400, 43200, 86400];
  const step = steps.find((one) => (to - from) / one <= most) || 86400;
  const ticks = [];
  for (let k = Math.ceil(from / step - 1e-9); k * step <= to + 1e-9; k++) ticks.push(k * step);
  return { ticks, digits: step < 0.1 ? 2 : step < 1 ? 1 : 0 };
}
