// The pieces as the crowd sees them, at one instant: as written, with Leadlight, by the latest beacon.
//
// Made-up lights run over the whole site from left to right. Each piece shows them where its own distance from the music
// puts them, so a piece that is late lags, and a light tears between it and its neighbours.
"use strict";

const CROSSING_S = 4; // one light takes this long from edge to edge: a point lights up once in a second, no more
const APART = 1 / 4; // of the width, from one light to the next
const TAIL = 0.06; // of the width, in which the light behind its head falls to about a third
const SHAPE = 2.7; // columns to rows of a piece
const CELL_MINIMUM = 3; // px; smaller cells stand for several pixels
const STEPS = 24; // of brightness
const [BRIGHT, QUIET, ALARM] = ["#ffffff", "#c3ccd1", "#ffb4a0"]; // words by night, whatever the page's colours

class CrowdView {
  constructor(evening, canvases) {
    this.evening = evening;
    this.panels = [
      { way: null, title: "as written", tint: "ink" },
      { way: "ours", title: "with Leadlight", tint: "ours" },
      { way: "naive", title: "by the latest beacon", tint: "naive" },
    ].map((panel, number) => ({ ...panel, surface: new Surface(canvases[number], (width) => this.layout(width).height) }));
    this.known = new Map();
    this.magnified = 1;
    this.speed = 1;
  }

  picked(pieces) {
    this.pieces = pieces;
    this.known.clear();
  }

  layout(width) {
    if (!this.known.has(width)) this.known.set(width, arranged(this.evening, this.pieces, width));
    return this.known.get(width);
  }

  // Where the head of a light is, in widths, for a piece that is so far off. However fast the evening goes by, lights
  // keep their pace on the screen: a point that lit up ten times in a second could harm who looks at it.
  head(seconds, ms) {
    return (seconds / Math.max(1, this.speed) + ms / 1000) / CROSSING_S;
  }

  draw(place) {
    for (const panel of this.panels) this.drawPanel(panel, place);
  }

  drawPanel(panel, place) {
    const { surface, way } = panel;
    const c = surface.begin();
    const width = surface.width;
    const layout = this.layout(width);
    const ramp = brightnessRamp();
    c.fillStyle = tints.night;
    c.beginPath();
    c.roundRect(0, 0, width, surface.height, 6);
    c.fill();
    const values = this.evening.pieces.map(() => null);
    const head = (ms) => this.head(place.seconds, ms);
    let worst = null;
    for (const tile of layout.tiles) {
      const does = this.evening.does(tile.piece, place);
      const distance = way ? this.evening.distance(tile.piece, place, way) : { middle: 0 };
      const off = distance === null ? null : distance.middle;
      if (way) values[tile.piece] = off;
      // Where a show is on it is written for every piece; what follows the latest beacon needs power and a beacon.
      const isOn = way === null ? does !== NOT_DUE : way === "ours" ? does === SHOWN && off !== null : off !== null && does !== NOT_DUE;
      const phase = off === null ? 0 : head(off * this.magnified);
      for (let column = 0; column < tile.columns; column++) {
        const x = tile.left + column * tile.cell;
        const behind = (((phase - (x + tile.cell / 2) / width) % APART) + APART) % APART;
        c.fillStyle = ramp[isOn ? Math.round(Math.exp(-behind / TAIL) * STEPS) : 0];
        const rows = column === tile.columns - 1 ? tile.last : tile.rows;
        c.fillRect(x, tile.top, tile.cell - tile.gap, rows * tile.cell - tile.gap);
      }
      // The gaps between rows, so that each pixel is seen.
      c.fillStyle = tints.night;
      for (let row = 1; row < tile.rows; row++) c.fillRect(tile.left, tile.top + row * tile.cell - tile.gap, tile.columns * tile.cell, tile.gap);
      if (isOn) this.pointers(c, tile, head(0), width);
      const bottom = tile.top + tile.rows * tile.cell + 9;
      const middle = tile.left + (tile.columns * tile.cell) / 2;
      let words = this.evening.pieces[tile.piece].name;
      let tint = QUIET;
      if (way && !isOn && does !== NOT_DUE) {
        words = does === NO_POWER ? "no power" : way === "ours" && does === DARK ? "dark" : "no time yet";
        tint = ALARM;
        c.strokeStyle = tint;
        c.setLineDash([4, 3]);
        c.strokeRect(tile.left - 3, tile.top - 3, tile.columns * tile.cell + 5, tile.rows * tile.cell + 5);
        c.setLineDash([]);
      } else if (way && isOn) {
        words = asTime(Math.abs(off));
        if (worst === null || Math.abs(off) > Math.abs(worst)) worst = off;
      }
      surface.text(surface.fitted(words, tile.room, 11), middle, bottom, tint, "center", "normal", 11);
    }
    const dark = layout.tiles.some((tile) => this.evening.does(tile.piece, place) === DARK);
    const isDue = layout.tiles.some((tile) => this.evening.does(tile.piece, place) !== NOT_DUE);
    const said = !isDue ? "no show is on" : !way ? "" : worst === null ? "nothing is shown" : `furthest ${asTime(Math.abs(worst))}`;
    surface.text(panel.title, 10, 13, BRIGHT, "left", "bold", 12.5);
    surface.text(said + (way === "ours" && dark && worst !== null ? ", and one is dark" : ""), width - 10, 13, QUIET, "right", "normal", 12);
    surface.told(place.seconds, values);
    surface.canvas.setAttribute("aria-label", `${panel.title}, at ${asClock(place.seconds)}: ${said || "where the lights should be"}`);
  }

  // Small pointers above a piece where the heads of the lights were written.
  pointers(c, tile, phase, width) {
    c.fillStyle = BRIGHT;
    const left = tile.left / width, right = (tile.left + tile.columns * tile.cell) / width;
    for (let k = Math.ceil((left - phase) / APART); phase + k * APART <= right; k++) {
      const x = (phase + k * APART) * width;
      c.beginPath();
      c.moveTo(x - 3.5, tile.top - 6);
      c.lineTo(x + 3.5, tile.top - 6);
      c.lineTo(x, tile.top - 1.5);
      c.fill();
    }
  }
}

let rampOf = null;
let rampFrom = "";
function brightnessRamp() {
  if (rampOf === null || rampFrom !== tints.unlit) {
    rampFrom = tints.unlit;
    const [from, to] = [tints.unlit, tints.glow].map((tint) => [1, 3, 5].map((at) => parseInt(tint.slice(at, at + 2), 16)));
    rampOf = Array.from({ length: STEPS + 1 }, (_, step) => {
      const share = step / STEPS;
      return `rgb(${from.map((value, k) => Math.round(value + (to[k] - value) * share)).join(" ")})`;
    });
  }
  return rampOf;
}

// --- Where pieces are: by their places on the site if all have one, else in rows ---

function arranged(evening, pieces, width) {
  const all = pieces.map((piece) => ({ piece, ...evening.pieces[piece] }));
  return all.every((one) => one.place) && all.length > 1 ? onSite(all, width) : inRows(all, width);
}

// A net of as many cells as the piece has pixels, or of fewer where they would be too small to see.
function net(one, area, widest) {
  let columns = Math.max(1, Math.round(Math.sqrt(one.pixels * SHAPE)));
  let rows = Math.ceil(one.pixels / columns);
  let cell = Math.sqrt(area / one.pixels);
  let last = one.pixels - (Math.ceil(one.pixels / rows) - 1) * rows;
  columns = Math.ceil(one.pixels / rows);
  if (columns * cell > widest) cell = widest / columns;
  if (cell < CELL_MINIMUM) {
    const shrink = CELL_MINIMUM / cell;
    columns = Math.max(3, Math.round(columns / shrink));
    rows = last = Math.max(1, Math.round(rows / shrink));
    cell = CELL_MINIMUM;
  }
  return { piece: one.piece, columns, rows, last, cell, gap: cell < 4 ? 0.6 : 0.22 * cell, wide: columns * cell, high: rows * cell };
}

function inRows(all, width) {
  const total = all.reduce((sum, one) => sum + one.pixels, 0);
  const budget = width * Math.min(70 + 6 * all.length, 150);
  const tiles = all.map((one) => net(one, Math.max((budget * one.pixels) / total, 500), width / 2.2));
  const gap = 14, names = 30;
  let [x, y, tallest] = [10, 30, 0];
  let row = [];
  const rows = [];
  for (const tile of tiles) {
    const room = Math.max(tile.wide, Math.min(70, width / 4));
    if (x + room > width - 10 && row.length) {
      rows.push({ row, y, tallest, spare: width - 10 - x + gap });
      [x, y, tallest, row] = [10, y + tallest + names, 0, []];
    }
    row.push(Object.assign(tile, { room, left: x + (room - tile.wide) / 2, top: y }));
    x += room + gap;
    tallest = Math.max(tallest, tile.high);
  }
  rows.push({ row, y, tallest, spare: width - 10 - x + gap });
  for (const one of rows) {
    one.row.forEach((tile, k) => {
      tile.left += (one.spare * (k + 0.5)) / one.row.length;
      tile.top += one.tallest - tile.high;
      tile.room += Math.min(gap, one.spare / one.row.length);
    });
  }
  return { tiles, height: y + tallest + names - 8 };
}

function onSite(all, width) {
  const xs = all.map((one) => one.place[0]), ys = all.map((one) => one.place[1]);
  const [left, right, near, far] = [Math.min(...xs), Math.max(...xs), Math.min(...ys), Math.max(...ys)];
  const aspect = Math.min(0.5, Math.max(0.2, (far - near) / Math.max(right - left, 0.1)));
  const height = Math.max(168, Math.min(width * aspect * 0.4 + 56, 260));
  const total = all.reduce((sum, one) => sum + one.pixels, 0);
  const tiles = all.map((one) => {
    const tile = net(one, Math.max((width * height * 0.24 * one.pixels) / total, 380), width / 3);
    tile.x = 0.09 * width + ((one.place[0] - left) / Math.max(right - left, 0.1)) * width * 0.82;
    // What is further away stands higher.
    tile.y = height - 34 - ((one.place[1] - near) / Math.max(far - near, 0.1)) * (height - 84);
    tile.room = Math.max(tile.wide, Math.min(84, width / 6));
    return tile;
  });
  apart(tiles, width, height);
  for (const tile of tiles) Object.assign(tile, { left: tile.x - tile.wide / 2, top: tile.y - tile.high / 2 });
  return { tiles, height };
}

// Move pieces that would cover each other, or each other's names, apart: their order stays, not their exact distance.
function apart(tiles, width, height) {
  for (let round = 0; round < 80; round++) {
    for (let a = 0; a < tiles.length; a++) {
      for (let b = a + 1; b < tiles.length; b++) {
        const [one, two] = [tiles[a], tiles[b]];
        const overlapX = (one.room + two.room) / 2 + 6 - Math.abs(one.x - two.x);
        const overlapY = (one.high + two.high) / 2 + 26 - Math.abs(one.y - two.y);
        if (overlapX <= 0 || overlapY <= 0) continue;
        if (overlapX < overlapY) {
          const push = (overlapX / 4) * (one.x <= two.x ? 1 : -1);
          one.x -= push;
          two.x += push;
        } else {
          const push = (overlapY / 4) * (one.y <= two.y ? 1 : -1);
          one.y -= push;
          two.y += push;
        }
      }
    }
    for (const tile of tiles) {
      tile.x = Math.min(width - 6 - tile.room / 2, Math.max(6 + tile.room / 2, tile.x));
      tile.y = Math.min(height - 20 - tile.high / 2, Math.max(32 + tile.high / 2, tile.y));
    }
  }
}
