// Packets on their way around the cursor: a row for each node, a line from who sent to who had it.
"use strict";

const KINDS = {
  beacon: { code: 1, tint: "ours", word: "beacon" },
  copy: { code: 2, tint: "ours", word: "copy of a beacon" },
  sounding: { code: 3, tint: "limit", word: "sounding" },
  echo: { code: 4, tint: "limit", word: "echo" },
  report: { code: 5, tint: "soft", word: "report" },
  mark: { code: 5, tint: "worst", word: "mark" },
};

class Journeys {
  constructor(evening, canvas) {
    this.evening = evening;
    this.surface = new Surface(canvas, () => 40 + this.rows().length * this.rowHeight());
    this.across_s = 2;
    this.wanted = new Set(["beacon", "sounding", "mark"]);
  }

  picked(pieces) {
    this.pieces = pieces;
  }

  // The leader's row, those of the pieces shown, those of standbys.
  rows() {
    const count = this.evening.pieces.length;
    return [0, ...this.pieces.map((piece) => 1 + piece), ...this.evening.nodes.map((_, k) => k).filter((k) => k > count)];
  }

  rowHeight() {
    return this.pieces.length > 16 ? 18 : 26;
  }

  secondsAt(x) {
    return this.from + ((x - this.left) / (this.surface.width - this.left - SIDE.right)) * this.across_s;
  }

  kindOf(code, isGroup) {
    if (code === KINDS.mark.code) return isGroup ? "mark" : "report";
    return Object.keys(KINDS).find((kind) => KINDS[kind].code === code) || "report";
  }

  // The packets that touch the stretch about the cursor, between rows that are shown.
  found(place) {
    const { window } = place;
    if (!window) return [];
    const from = place.seconds - this.across_s / 2, to = from + this.across_s;
    const shown = new Set(this.rows());
    const packets = [];
    for (let k = 0; k < window.packets; k++) {
      const sent = window.begin_s + window.sent[k] / 1e6;
      const isLost = window.arrived[k] === MISSING;
      const arrived = isLost ? sent : window.begin_s + window.arrived[k] / 1e6;
      if (sent > to || arrived < from || !shown.has(window.receiver[k]) || !shown.has(window.sender[k])) continue;
      const kind = this.kindOf(window.kind[k], window.is_group[k] === 1);
      if (!this.wanted.has({ echo: "sounding", copy: "beacon" }[kind] || kind)) continue;
      packets.push({ kind, sender: window.sender[k], receiver: window.receiver[k], sent, arrived, isLost });
    }
    return packets;
  }

  draw(place) {
    const { surface, evening } = this;
    const c = surface.begin();
    const rows = this.rows();
    const high = this.rowHeight();
    this.left = Math.min(120, Math.max(74, surface.width * 0.15));
    const right = surface.width - SIDE.right;
    this.from = place.seconds - this.across_s / 2;
    const x = (seconds) => this.left + ((seconds - this.from) / this.across_s) * (right - this.left);
    const y = new Map(rows.map((node, k) => [node, 14 + k * high]));
    rows.forEach((node, k) => {
      c.strokeStyle = tints.rule;
      c.lineWidth = node === 0 ? 2 : 1;
      c.beginPath();
      c.moveTo(this.left, y.get(node));
      c.lineTo(right, y.get(node));
      c.stroke();
      const words = surface.fitted(evening.nodes[node], this.left - 10, node === 0 ? 13 : 11.5); // bold is wider
      surface.text(words, this.left - 8, y.get(node), node === 0 ? tints.ink : tints.soft, "right", node === 0 ? "bold" : "normal");
    });
    this.packets = this.found(place);
    c.save();
    c.beginPath();
    c.rect(this.left, 0, right - this.left, surface.height);
    c.clip();
    for (const packet of this.packets) this.line(c, packet, x, y, place.seconds);
    c.strokeStyle = tints.ink;
    c.lineWidth = 1.5;
    c.beginPath();
    c.moveTo(x(place.seconds), 4);
    c.lineTo(x(place.seconds), surface.height - 24);
    c.stroke();
    c.restore();
    if (!place.window) {
      const middle = (this.left + right) / 2;
      surface.text(surface.fitted("Packets are kept about marks.", right - this.left), middle, surface.height / 2 - 18, tints.soft, "center");
      surface.text(surface.fitted("Jump to one to see each.", right - this.left), middle, surface.height / 2, tints.soft, "center");
    }
    const { ticks, digits } = timeTicks(Math.max(0, this.from), Math.min(evening.duration_s, this.from + this.across_s), surface.width / 90);
    for (const tick of ticks) surface.text(asClock(tick, digits), x(tick), surface.height - 12, tints.soft, "center");
    this.x = x;
    this.y = y;
    surface.told(place.seconds, this.packets.length);
    surface.canvas.setAttribute("aria-label", `Packets about ${asClock(place.seconds)}: ${this.packets.length} drawn`);
  }

  line(c, packet, x, y, now) {
    const tint = tints[KINDS[packet.kind].tint];
    const [from, to] = [y.get(packet.sender), y.get(packet.receiver)];
    c.strokeStyle = c.fillStyle = tint;
    c.lineWidth = packet === this.lit ? 3 : packet.kind === "mark" ? 1.8 : 1.2;
    if (packet.isLost) {
      c.strokeStyle = tints.naive;
      c.lineWidth = 2;
      c.beginPath();
      c.moveTo(x(packet.sent) - 4, to - 4);
      c.lineTo(x(packet.sent) + 4, to + 4);
      c.moveTo(x(packet.sent) + 4, to - 4);
      c.lineTo(x(packet.sent) - 4, to + 4);
      c.stroke();
      return;
    }
    c.setLineDash(packet.kind === "echo" ? [5, 3] : packet.kind === "report" ? [2, 3] : []);
    c.beginPath();
    c.moveTo(x(packet.sent), from);
    c.lineTo(x(packet.arrived), to);
    c.stroke();
    c.setLineDash([]);
    c.beginPath();
    c.arc(x(packet.arrived), to, 2.6, 0, 7);
    c.fill();
    if (packet.sent <= now && now < packet.arrived) {
      const share = (now - packet.sent) / (packet.arrived - packet.sent);
      c.beginPath();
      c.arc(x(now), from + (to - from) * share, 5, 0, 7);
      c.fill();
    }
  }

  // The packet whose line is nearest to a point of the drawing.
  nearest(px, py) {
    let best = null;
    for (const packet of this.packets || []) {
      const [x1, y1, x2, y2] = [this.x(packet.sent), this.y.get(packet.sender), this.x(packet.arrived), this.y.get(packet.receiver)];
      const gap = packet.isLost ? Math.hypot(px - x1, py - y2) : toSegment(px, py, x1, y1, x2, y2);
      if (gap < 14 && (best === null || gap < best.gap)) best = { gap, packet };
    }
    return best && best.packet;
  }

  said(packet) {
    const way = `${KINDS[packet.kind].word} from ${this.evening.nodes[packet.sender]} to ${this.evening.nodes[packet.receiver]}`;
    return packet.isLost ? `${way}: lost, sent at ${asClock(packet.sent, 3)}` : `${way}: ${asTime((packet.arrived - packet.sent) * 1000)} on its way, there at ${asClock(packet.arrived, 3)}`;
  }
}

function toSegment(px, py, x1, y1, x2, y2) {
  const length = (x2 - x1) ** 2 + (y2 - y1) ** 2;
  const share = length === 0 ? 0 : Math.min(1, Math.max(0, ((px - x1) * (x2 - x1) + (py - y1) * (y2 - y1)) / length));
  return Math.hypot(px - x1 - share * (x2 - x1), py - y1 - share * (y2 - y1));
}
