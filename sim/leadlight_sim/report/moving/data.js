// The timeline, unpacked: whole numbers by piece and span or frame. Nothing here draws.
"use strict";

const MISSING = -2147483648;
const [NOT_DUE, SHOWN, NO_POWER, DARK] = [0, 1, 2, 3];
const SPAN_KEYS = ["least", "middle", "most", "naive_least", "naive_middle", "naive_most", "does"];
const BEACON_KEYS = ["beacon_least", "beacon_middle", "beacon_most", "beacon_lost"];
const PACKET_KEYS = ["kind", "sender", "receiver", "sent", "arrived", "is_group"];

async function unpacked(text) {
  const binary = atob(text);
  const packed = new Uint8Array(binary.length);
  for (let i = 0; i < binary.length; i++) packed[i] = binary.charCodeAt(i);
  const stream = new Blob([packed]).stream().pipeThrough(new DecompressionStream("deflate"));
  const bytes = new Uint8Array(await new Response(stream).arrayBuffer());
  // The four bytes of every number lie apart: alike ones beside each other are what packs well.
  const count = bytes.length / 4;
  const values = new Int32Array(count);
  for (let i = 0; i < count; i++) {
    values[i] = bytes[i] | (bytes[count + i] << 8) | (bytes[2 * count + i] << 16) | (bytes[3 * count + i] << 24);
  }
  return values;
}

class Evening {
  constructor(head, values) {
    Object.assign(this, head);
    let used = 0;
    const take = (length) => values.subarray(used, (used += length));
    const pieces = head.pieces.length;
    for (const key of SPAN_KEYS) this.spans[key] = take(pieces * this.spans.count);
    for (const key of BEACON_KEYS) this.spans[key] = take(this.spans.count);
    for (const stretch of this.windows) {
      for (const key of ["ours", "naive", "does"]) stretch[key] = take(pieces * stretch.frames);
      for (const key of PACKET_KEYS) stretch[key] = take(stretch.packets);
    }
  }

  // Where an instant lies: in a window, frame by frame, or only in a span.
  at(seconds) {
    const span = Math.min(this.spans.count - 1, Math.max(0, Math.floor(seconds / this.spans.span_s + 1e-9)));
    const window = this.windows.find((one) => seconds >= one.begin_s - 1e-9 && seconds <= one.end_s + 1e-9) || null;
    if (window === null || window.frames === 0) return { seconds, span, window: null, frame: -1 };
    const frame = Math.floor((seconds - window.first_frame_s) / this.frame_s + 1e-6);
    return { seconds, span, window, frame: Math.min(window.frames - 1, Math.max(0, frame)) };
  }

  // What a piece's light, or that of the latest beacon, is off by: least, middle, most in ms, or null.
  distance(piece, place, way) {
    if (place.window) {
      const value = place.window[way][piece * place.window.frames + place.frame];
      return value === MISSING ? null : { least: value * this.unit_ms, middle: value * this.unit_ms, most: value * this.unit_ms };
    }
    const [least, middle, most] = way === "ours" ? ["least", "middle", "most"] : ["naive_least", "naive_middle", "naive_most"];
    const at = piece * this.spans.count + place.span;
    if (this.spans[middle][at] === MISSING) return null;
    return { least: this.spans[least][at] * this.unit_ms, middle: this.spans[middle][at] * this.unit_ms, most: this.spans[most][at] * this.unit_ms };
  }

  does(piece, place) {
    return place.window
      ? place.window.does[piece * place.window.frames + place.frame]
      : this.spans.does[piece * this.spans.count + place.span];
  }

  // What the beacons that were sent in a span met with, in words.
  beaconsSaid({ span }) {
    const [least, middle, most, lost] = BEACON_KEYS.map((key) => this.spans[key][span]);
    const losses = lost ? ` ${lost} lost.` : "";
    if (middle === MISSING) return lost ? `Beacons of this span: ${lost} lost.` : "No beacon was sent in this span.";
    const [low, half, high] = [least, middle, most].map((value) => asTime(value * this.unit_ms));
    return `Beacons of this span took ${low} to ${high}, in the middle ${half}.${losses}`;
  }

  resolution(place) {
    if (place.window) return "every frame and packet";
    const span = this.spans.span_s;
    const words = span === 0.25 ? "quarter of a second" : span === 0.5 ? "half second" : `${span} s`;
    return `least, middle and most of each ${words}`;
  }
}

// --- Figures in words, as on the rest of the page ---

function asTime(ms) {
  const size = Math.abs(ms);
  if (size < 0.0995) return `${Math.round(ms * 1000)} µs`;
  if (size < 9.995) return `${ms.toFixed(2)} ms`;
  if (size < 99.95) return `${ms.toFixed(1)} ms`;
  if (size < 999.5) return `${ms.toFixed(0)} ms`;
  return size < 99995 ? `${(ms / 1000).toFixed(2)} s` : `${(ms / 1000).toFixed(0)} s`;
}

function asClock(seconds, digits = 2) {
  const scale = 10 ** digits;
  const whole = Math.round(seconds * scale);
  const rest = ((whole % (60 * scale)) / scale).toFixed(digits).padStart(digits ? 3 + digits : 2, "0");
  const minutes = Math.floor(whole / (60 * scale));
  return minutes < 60 ? `${minutes}:${rest}` : `${Math.floor(minutes / 60)}:${String(minutes % 60).padStart(2, "0")}:${rest}`;
}

function offText(distance) {
  if (distance === null) return "–";
  const value = distance.middle;
  const side = value > 0 ? "ahead" : value < 0 ? "behind" : "";
  return `${asTime(Math.abs(value))} ${side}`.trim();
}
