// Distance from the music over time: over the whole evening, and close by the cursor.
"use strict";

const SIDE = { left: 62, right: 20 };

// A line across at each power of ten, with its number before it.
function rules(surface, y, right) {
  const c = surface.context;
  c.strokeStyle = tints.rule;
  c.lineWidth = 1;
  for (const ms of y.decades) {
    c.beginPath();
    c.moveTo(SIDE.left, Math.round(y(ms)) + 0.5);
    c.lineTo(right, Math.round(y(ms)) + 0.5);
    c.stroke();
    surface.text(decadeText(ms), SIDE.left - 7, y(ms), tints.soft, "right");
  }
}

function limitLine(surface, at, right) {
  const c = surface.context;
  c.strokeStyle = tints.limit;
  c.lineWidth = 1.4;
  c.setLineDash([6, 3]);
  c.beginPath();
  c.moveTo(SIDE.left, at);
  c.lineTo(right, at);
  c.stroke();
  c.setLineDash([]);
}

class WholeEvening {
  constructor(evening, canvas) {
    this.evening = evening;
    this.surface = new Surface(canvas, () => 236);
    this.kept = null;
  }

  picked(pieces) {
    this.pieces = pieces;
    this.kept = null;
  }

  secondsAt(x) {
    const share = (x - SIDE.left) / (this.surface.width - SIDE.left - SIDE.right);
    return Math.min(1, Math.max(0, share)) * this.evening.duration_s;
  }

  x(seconds) {
    return SIDE.left + (seconds / this.evening.duration_s) * (this.surface.width - SIDE.left - SIDE.right);
  }

  draw(place) {
    const c = this.surface.begin();
    // All but the cursor stays the same: it is drawn once for each size and choice of colours.
    const key = [this.surface.canvas.width, this.surface.canvas.height, tints.paper].join();
    if (this.kept === null || this.kept.key !== key) {
      this.still();
      const copy = document.createElement("canvas");
      copy.width = this.surface.canvas.width;
      copy.height = this.surface.canvas.height;
      copy.getContext("2d").drawImage(this.surface.canvas, 0, 0);
      this.kept = { key, copy };
    } else {
      c.save();
      c.setTransform(1, 0, 0, 1, 0, 0);
      c.drawImage(this.kept.copy, 0, 0);
      c.restore();
    }
    const x = this.x(place.seconds);
    c.strokeStyle = tints.ink;
    c.lineWidth = 1.5;
    c.beginPath();
    c.moveTo(x, 22);
    c.lineTo(x, this.bottom);
    c.stroke();
    c.fillStyle = tints.ink;
    c.beginPath();
    c.arc(x, 22, 4, 0, 7);
    c.fill();
    this.surface.told(place.seconds, this.pieces.map((piece) => this.evening.distance(piece, place, "ours")));
    this.surface.canvas.setAttribute("aria-label", `Distance over the whole evening, the cursor at ${asClock(place.seconds)}`);
  }

  still() {
    const { surface, evening } = this;
    const c = surface.context;
    const top = 52, bottom = (this.bottom = surface.height - 26);
    const right = surface.width - SIDE.right;
    const spans = evening.spans;
    const columns = Math.min(spans.count, Math.max(60, Math.floor(right - SIDE.left)));
    const ways = { ours: this.band(columns, "ours"), naive: this.band(columns, "naive") };
    const largest = Math.max(evening.limit_ms, ...ways.ours.most, ...ways.naive.most);
    const y = logScale(largest, top, bottom);
    // Shows and faults, above and behind.
    for (const show of evening.shows) {
      c.fillStyle = tints.show;
      c.fillRect(this.x(show.begin_s), 26, this.x(show.end_s) - this.x(show.begin_s), 18);
      const room = this.x(show.end_s) - this.x(show.begin_s) - 10;
      if (room > 30) surface.text(surface.fitted(show.title, room), this.x(show.begin_s) + 5, 35, tints.ink);
    }
    for (const fault of evening.faults) {
      c.globalAlpha = 0.22;
      c.fillStyle = tints.fault;
      c.fillRect(this.x(fault.begin_s), 26, Math.max(2, this.x(fault.end_s) - this.x(fault.begin_s)), bottom - 26);
      c.globalAlpha = 1;
    }
    rules(surface, y, right);
    for (const [way, tint] of [["naive", tints.naive], ["ours", tints.ours]]) {
      const { least, most } = ways[way];
      c.fillStyle = tint;
      for (let k = 0; k < columns; k++) {
        if (most[k] < 0) continue;
        const x = SIDE.left + (k / columns) * (right - SIDE.left);
        const wide = (right - SIDE.left) / columns + 0.3;
        c.globalAlpha = 0.3;
        c.fillRect(x, y(most[k]), wide, Math.max(1, y(least[k]) - y(most[k])));
        c.globalAlpha = 1;
        c.fillRect(x, y(most[k]) - 0.8, wide, 1.6);
      }
    }
    limitLine(surface, y(evening.limit_ms), right);
    this.label("latest beacon", ways.naive, y, tints.naive, -12);
    this.label("Leadlight", ways.ours, y, tints.ours, -12);
    this.plate(`limit ${evening.limit_ms} ms`, right - 4, y(evening.limit_ms) - 10, tints.limit, "right");
    const { ticks, digits } = timeTicks(0, evening.duration_s, surface.width / 70);
    for (const tick of ticks) surface.text(asClock(tick, digits), this.x(tick), surface.height - 12, tints.soft, "center");
    // The worst moment lies on top.
    for (const isWorst of [false, true]) evening.marks.filter((mark) => (mark.kind === "worst") === isWorst).forEach((mark) => this.flag(c, mark));
    surface.text("marks", SIDE.left - 7, 10, tints.soft, "right");
    surface.text("shows", SIDE.left - 7, 35, tints.soft, "right");
  }

  label(words, band, y, tint, above) {
    const known = band.most.filter((value) => value >= 0).sort((a, b) => a - b);
    if (!known.length) return;
    const at = Math.max(58, y(known[Math.floor(known.length / 2)]) + above);
    this.plate(words, SIDE.left + 6, at, tint);
  }

  // Words on a plate of paper, for where something is drawn below them.
  plate(words, x, y, tint, align = "left") {
    const c = this.surface.context;
    c.font = 'bold 11.5px "DejaVu Sans", Verdana, sans-serif';
    const wide = c.measureText(words).width;
    c.globalAlpha = 0.88;
    c.fillStyle = tints.paper;
    c.fillRect(align === "right" ? x - wide - 4 : x - 4, y - 8, wide + 8, 16);
    c.globalAlpha = 1;
    this.surface.text(words, x, y, tint, align, "bold");
  }

  flag(c, mark) {
    const x = this.x(mark.at_s);
    c.fillStyle = { worst: tints.limit, fault: tints.fault, over: tints.fault, cue: tints.ink, order: tints.ink, notable: tints.naive }[mark.kind];
    c.beginPath();
    if (mark.kind === "worst") {
      c.moveTo(x, 20); c.lineTo(x - 7, 6); c.lineTo(x + 7, 6);
    } else if (mark.kind === "cue" || mark.kind === "order") {
      c.rect(x - 1.5, 4, 3, 15);
    } else if (mark.kind === "notable") {
      c.arc(x, 12, 3.5, 0, 7);
    } else {
      c.moveTo(x, 5); c.lineTo(x + 5, 12); c.lineTo(x, 19); c.lineTo(x - 5, 12);
    }
    c.fill();
  }

  // For each column the furthest and the closest of the pieces shown, in ms; below zero where there is none.
  band(columns, way) {
    const { spans, unit_ms: unit } = this.evening;
    const [low, high] = way === "ours" ? [spans.least, spans.most] : [spans.naive_least, spans.naive_most];
    const most = new Float64Array(columns).fill(-1), least = new Float64Array(columns).fill(-1);
    for (const piece of this.pieces) {
      for (let span = 0; span < spans.count; span++) {
        const k = Math.floor((span * columns) / spans.count);
        const at = piece * spans.count + span;
        if (high[at] === MISSING) continue;
        const size = Math.max(Math.abs(low[at]), Math.abs(high[at])) * unit;
        if (size > most[k]) most[k] = size;
        if (least[k] < 0 || size < least[k]) least[k] = size;
      }
    }
    return { most: Array.from(most), least: Array.from(least) };
  }
}

class CloseBy {
  constructor(evening, canvas) {
    this.evening = evening;
    this.surface = new Surface(canvas, () => 210);
    this.across_s = 10;
  }

  picked(pieces) {
    this.pieces = pieces;
  }

  secondsAt(x) {
    return this.from + ((x - SIDE.left) / (this.surface.width - SIDE.left - SIDE.right)) * this.across_s;
  }

  draw(place) {
    const { surface, evening } = this;
    const c = surface.begin();
    const top = 10, bottom = surface.height - 26, right = surface.width - SIDE.right;
    this.from = place.seconds - this.across_s / 2;
    const x = (seconds) => SIDE.left + ((seconds - this.from) / this.across_s) * (right - SIDE.left);
    let largest = evening.limit_ms;
    const lines = [];
    for (const way of ["naive", "ours"]) {
      for (const piece of this.pieces) {
        const line = this.line(piece, way);
        lines.push({ way, piece, line });
        for (const point of line) if (point.size > largest) largest = point.size;
      }
    }
    const y = logScale(largest, top, bottom);
    rules(surface, y, right);
    c.save();
    c.beginPath();
    c.rect(SIDE.left, 0, right - SIDE.left, surface.height);
    c.clip();
    for (const fault of evening.faults) {
      c.globalAlpha = 0.22;
      c.fillStyle = tints.fault;
      c.fillRect(x(fault.begin_s), top, Math.max(2, x(fault.end_s) - x(fault.begin_s)), bottom - top);
      c.globalAlpha = 1;
    }
    limitLine(surface, y(evening.limit_ms), right);
    for (const { way, piece, line } of lines) {
      c.strokeStyle = way === "naive" ? tints.naive : piece === this.lit ? tints.worst : tints.ours;
      c.lineWidth = piece === this.lit ? 2.4 : 1.1;
      c.globalAlpha = piece === this.lit ? 1 : 0.7;
      c.beginPath();
      let open = false;
      for (const point of line) {
        if (point.size < 0) { open = false; continue; }
        if (open) c.lineTo(x(point.begin), y(point.size));
        else c.moveTo(x(point.begin), y(point.size));
        c.lineTo(x(point.end), y(point.size));
        open = true;
      }
      c.stroke();
    }
    c.globalAlpha = 1;
    c.strokeStyle = tints.ink;
    c.lineWidth = 1.5;
    c.beginPath();
    c.moveTo(x(place.seconds), top);
    c.lineTo(x(place.seconds), bottom);
    c.stroke();
    c.restore();
    const { ticks, digits } = timeTicks(Math.max(0, this.from), Math.min(evening.duration_s, this.from + this.across_s), surface.width / 80);
    for (const tick of ticks) surface.text(asClock(tick, digits), x(tick), surface.height - 12, tints.soft, "center");
    this.y = y;
    surface.told(place.seconds, this.pieces.map((piece) => this.evening.distance(piece, place, "ours")));
    surface.canvas.setAttribute("aria-label", `Distance close by ${asClock(place.seconds)}: ${evening.resolution(place)}`);
  }

  // A line as pieces of time: a frame each where frames are known, else a span each by its furthest.
  line(piece, way) {
    const { evening } = this;
    const points = [];
    const until = Math.min(evening.duration_s, this.from + this.across_s);
    let at = Math.max(0, this.from);
    while (at < until - 1e-9) {
      const place = evening.at(at + 1e-6);
      let end;
      if (place.window) {
        end = Math.min(place.window.first_frame_s + (place.frame + 1) * evening.frame_s, place.window.end_s);
        if (end <= at) end = at + evening.frame_s;
      } else {
        end = (place.span + 1) * evening.spans.span_s;
        for (const one of evening.windows) if (one.begin_s > at && one.begin_s < end) end = one.begin_s;
      }
      const found = evening.distance(piece, place, way);
      points.push({ begin: at, end, size: found === null ? -1 : Math.max(Math.abs(found.least), Math.abs(found.most)) });
      at = end;
    }
    return points;
  }

  // The piece whose line is nearest to a point of the drawing, and its value there.
  nearest(x, y) {
    const place = this.evening.at(Math.min(this.evening.duration_s, Math.max(0, this.secondsAt(x))));
    let best = null;
    for (const way of ["ours", "naive"]) {
      for (const piece of this.pieces) {
        const found = this.evening.distance(piece, place, way);
        if (found === null) continue;
        const size = Math.max(Math.abs(found.least), Math.abs(found.most));
        const gap = Math.abs(this.y(size) - y);
        if (best === null || gap < best.gap) best = { gap, piece, way, found, seconds: place.seconds };
      }
    }
    return best;
  }
}
