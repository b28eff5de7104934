// The evening one can move through: one instant, which every drawing shows, and what moves it.
"use strict";

class Player {
  constructor(evening, root) {
    this.evening = evening;
    this.root = root;
    this.part = (name) => root.querySelector(`[data-part="${name}"]`);
    const canvas = (name) => this.part(name);
    this.crowd = new CrowdView(evening, ["written", "ours", "naive"].map(canvas));
    this.whole = new WholeEvening(evening, canvas("whole"));
    this.close = new CloseBy(evening, canvas("close"));
    this.journeys = new Journeys(evening, canvas("journeys"));
    this.drawings = [this.crowd, this.whole, this.close, this.journeys];
    this.slider = this.part("slider");
    this.speed = 1;
    this.isPlaying = false;
    this.calm = matchMedia("(prefers-reduced-motion: reduce)");
    this.seconds = evening.worst_at_s ?? (evening.marks.length ? evening.marks[0].at_s : 0);
    this.pick(evening.shown);
    this.controls();
    this.marksList();
    this.table();
    this.pointers();
    this.repaint();
  }

  // --- The instant ---

  seek(seconds, isTold = true) {
    this.seconds = Math.min(this.evening.duration_s, Math.max(0, seconds));
    this.repaint();
    if (isTold) this.tell();
  }

  repaint() {
    const place = this.evening.at(this.seconds);
    for (const drawing of this.drawings) drawing.draw(place);
    this.slider.value = String(Math.round(this.seconds * 1000));
    const about = this.markHere();
    this.slider.setAttribute("aria-valuetext", asClock(this.seconds) + (about ? `, ${about.text}` : ""));
    this.part("clock").textContent = asClock(this.seconds);
    this.part("resolution").textContent = this.evening.resolution(place);
    this.part("about").textContent = about ? about.text : "";
    for (const button of this.part("marks").querySelectorAll("button")) {
      button.setAttribute("aria-current", String(Math.abs(Number(button.dataset.at) - this.seconds) < 0.005));
    }
    const now = performance.now();
    if (!this.isPlaying || now - (this.toldAt || 0) > 180) {
      this.toldAt = now;
      this.values(place);
    }
  }

  markHere() {
    return this.evening.marks.find((mark) => Math.abs(mark.at_s - this.seconds) < 0.13) || null;
  }

  tell() {
    clearTimeout(this.telling);
    this.telling = setTimeout(() => {
      const about = this.markHere();
      this.part("told").textContent = `${asClock(this.seconds)}${about ? `, ${about.text}` : ""}. ${this.part("gap").textContent}`;
    }, 400);
  }

  // --- Playing ---

  play(isPlaying) {
    this.isPlaying = isPlaying;
    this.part("play").textContent = isPlaying ? "Pause" : "Play";
    this.root.classList.toggle("playing", isPlaying);
    cancelAnimationFrame(this.frame);
    if (!isPlaying) return this.repaint();
    if (this.seconds >= this.evening.duration_s) this.seconds = 0;
    let last = performance.now(), drawn = last;
    const step = (now) => {
      const next = this.seconds + ((now - last) / 1000) * this.speed;
      last = now;
      // Who asked for less motion gets a picture once a second. Nothing is ever drawn more often than 30 times in one.
      const every = this.calm.matches ? 1000 : 33;
      this.seconds = Math.min(next, this.evening.duration_s);
      if (now - drawn >= every - 4 || this.seconds >= this.evening.duration_s) {
        drawn = now;
        this.repaint();
      }
      if (this.seconds >= this.evening.duration_s) this.play(false);
      else this.frame = requestAnimationFrame(step);
    };
    this.frame = requestAnimationFrame(step);
  }

  controls() {
    const { slider, evening } = this;
    slider.max = String(Math.round(evening.duration_s * 1000));
    slider.addEventListener("input", () => this.seek(Number(slider.value) / 1000));
    slider.addEventListener("keydown", (event) => {
      const frame = evening.frame_s;
      const second = event.shiftKey ? 1 : frame;
      const moves = {
        ArrowRight: () => this.seek(this.seconds + second), ArrowUp: () => this.seek(this.seconds + second),
        ArrowLeft: () => this.seek(this.seconds - second), ArrowDown: () => this.seek(this.seconds - second),
        PageUp: () => this.jump(1), PageDown: () => this.jump(-1),
        Home: () => this.seek(0), End: () => this.seek(evening.duration_s),
        " ": () => this.play(!this.isPlaying),
      };
      if (event.ctrlKey || event.altKey || event.metaKey || !(event.key in moves)) return;
      event.preventDefault();
      moves[event.key]();
    });
    this.part("play").addEventListener("click", () => this.play(!this.isPlaying));
    this.part("before").addEventListener("click", () => this.jump(-1));
    this.part("after").addEventListener("click", () => this.jump(1));
    this.part("speed").addEventListener("change", (event) => {
      this.speed = this.crowd.speed = Number(event.target.value);
      this.repaint();
    });
    this.part("magnify").addEventListener("change", (event) => {
      this.crowd.magnified = Number(event.target.value);
      this.repaint();
    });
    this.part("across").addEventListener("change", (event) => {
      this.close.across_s = Number(event.target.value);
      this.repaint();
    });
    this.part("across-packets").addEventListener("change", (event) => {
      this.journeys.across_s = Number(event.target.value);
      this.repaint();
    });
    for (const box of this.root.querySelectorAll("[data-kind]")) {
      box.addEventListener("change", () => {
        this.journeys.wanted[box.checked ? "add" : "delete"](box.dataset.kind);
        this.repaint();
      });
    }
    addEventListener("resize", () => this.repaint());
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => this.recolour());
    // Paper is light whatever the screen is, and finer than it.
    addEventListener("beforeprint", () => this.forPaper(true));
    addEventListener("afterprint", () => this.forPaper(false));
    matchMedia("print").addEventListener("change", (event) => this.forPaper(event.matches));
  }

  recolour() {
    readTints();
    this.repaint();
  }

  forPaper(isPaper) {
    const surfaces = [...this.crowd.panels.map((panel) => panel.surface), this.whole.surface, this.close.surface, this.journeys.surface];
    for (const surface of surfaces) surface.sharpness = isPaper ? 2 : 1;
    document.documentElement.classList.toggle("on-paper", isPaper);
    this.recolour();
  }

  // --- Marks ---

  jump(by) {
    const marks = this.evening.marks;
    const found = by > 0 ? marks.find((mark) => mark.at_s > this.seconds + 0.005) : marks.findLast((mark) => mark.at_s < this.seconds - 0.005);
    if (found) this.seek(found.at_s);
  }

  marksList() {
    for (const button of this.part("marks").querySelectorAll("button")) {
      button.addEventListener("click", () => {
        this.play(false);
        this.seek(Number(button.dataset.at));
      });
    }
  }

  // --- Values of every piece ---

  pick(pieces) {
    this.picks = new Set(pieces);
    const order = this.evening.pieces.map((_, piece) => piece).filter((piece) => this.picks.has(piece));
    for (const drawing of this.drawings) drawing.picked(order);
  }

  table() {
    this.rows = [...this.part("values").querySelectorAll("tr")].map((row) => ({
      row, piece: Number(row.dataset.piece), cells: row.querySelectorAll("td"),
    }));
    for (const { row, piece } of this.rows) {
      const box = row.querySelector("input");
      if (box) {
        box.checked = this.picks.has(piece);
        box.addEventListener("change", () => {
          if (!box.checked && this.picks.size === 1) return void (box.checked = true);
          this.picks[box.checked ? "add" : "delete"](piece);
          this.pick(this.picks);
          this.repaint();
        });
      }
      const light = (isOn) => {
        this.close.lit = isOn ? piece : undefined;
        this.close.draw(this.evening.at(this.seconds));
      };
      row.addEventListener("pointerenter", () => light(true));
      row.addEventListener("pointerleave", () => light(false));
    }
  }

  values(place) {
    const { evening } = this;
    const words = ["no show is on", "lit", "no power", "dark"];
    const known = [];
    for (const { piece, cells } of this.rows) {
      const ours = evening.distance(piece, place, "ours"), naive = evening.distance(piece, place, "naive");
      const does = evening.does(piece, place);
      const range = (one) => one === null || one.least === one.most ? "" : ` (${asTime(one.least)} to ${asTime(one.most)})`;
      const texts = [offText(ours) + range(ours), offText(naive) + range(naive), evening.is_of_light ? words[does] : "by its clock"];
      texts.forEach((text, k) => { if (cells[k].textContent !== text) cells[k].textContent = text; });
      if (ours !== null && does !== DARK) known.push({ piece, value: ours.middle });
    }
    known.sort((a, b) => a.value - b.value);
    const gap = known.length > 1 ? known[known.length - 1].value - known[0].value : null;
    this.part("gap").textContent = gap === null ? "" :
      `Furthest apart here: ${evening.pieces[known[0].piece].name} and ${evening.pieces[known[known.length - 1].piece].name}, ${asTime(gap)}.`;
    const flying = this.journeys.packets.filter((one) => one.sent <= place.seconds && (one.isLost ? place.seconds - one.sent < 0.02 : place.seconds < one.arrived));
    const said = flying.slice(0, 4).map((one) => this.journeys.said(one));
    if (flying.length > 4) said.push(`and ${flying.length - 4} more`);
    this.part("flying").textContent = !place.window ? evening.beaconsSaid(place) : said.length ? `On their way now: ${said.join("; ")}.` : "No packet of these kinds is on its way now.";
  }

  // --- Mouse and touch on the drawings ---

  pointers() {
    const drag = (drawing) => {
      const { canvas } = drawing.surface;
      const seconds = (event) => drawing.secondsAt(event.clientX - canvas.getBoundingClientRect().left);
      // By the cursor: where it was when the drag began, so that a drawing that moves along does not run away.
      let from = null;
      canvas.addEventListener("pointerdown", (event) => {
        if (event.button !== 0) return;
        canvas.setPointerCapture(event.pointerId);
        this.play(false);
        from = { x: event.clientX, seconds: this.seconds, at: seconds(event), hasMoved: false };
        if (drawing === this.whole) this.seek(from.at);
      });
      canvas.addEventListener("pointermove", (event) => {
        if (from === null) return this.hover(drawing, event);
        if (drawing === this.whole) return this.seek(seconds(event));
        const moved = event.clientX - from.x;
        if (Math.abs(moved) > 3) from.hasMoved = true;
        const perPx = drawing.across_s / (canvas.clientWidth - 80);
        if (from.hasMoved) this.seek(from.seconds - moved * perPx);
      });
      canvas.addEventListener("pointerup", () => {
        if (from && drawing !== this.whole && !from.hasMoved) this.seek(from.at);
        from = null;
      });
      canvas.addEventListener("pointercancel", () => (from = null));
      canvas.addEventListener("pointerleave", () => this.hover(drawing, null));
    };
    [this.whole, this.close, this.journeys].forEach(drag);
    for (const panel of this.crowd.panels) {
      panel.surface.canvas.addEventListener("pointermove", (event) => this.hoverCrowd(panel, event));
      panel.surface.canvas.addEventListener("pointerleave", () => this.hint(null));
    }
  }

  hover(drawing, event) {
    if (event === null) {
      if (drawing !== this.whole) {
        drawing.lit = undefined;
        drawing.draw(this.evening.at(this.seconds));
      }
      return this.hint(null);
    }
    const box = drawing.surface.canvas.getBoundingClientRect();
    const x = event.clientX - box.left, y = event.clientY - box.top;
    if (drawing === this.journeys) {
      const packet = drawing.nearest(x, y);
      drawing.lit = packet || undefined;
      drawing.draw(this.evening.at(this.seconds));
      return this.hint(packet ? drawing.said(packet) : null, event);
    }
    if (drawing === this.close) {
      const best = drawing.nearest(x, y);
      if (best === null) return this.hint(null);
      drawing.lit = best.piece;
      drawing.draw(this.evening.at(this.seconds));
      const by = best.way === "naive" ? ", by the latest beacon" : "";
      return this.hint(`${this.evening.pieces[best.piece].name}${by}: ${offText(best.found)} at ${asClock(best.seconds)}`, event);
    }
    const seconds = drawing.secondsAt(x);
    const near = this.evening.marks.filter((mark) => Math.abs(drawing.x(mark.at_s) - x) < 8);
    const place = this.evening.at(seconds);
    let worst = null;
    for (const piece of this.picks) {
      const found = this.evening.distance(piece, place, "ours");
      if (found && (worst === null || Math.abs(found.middle) > Math.abs(worst.found.middle))) worst = { piece, found };
    }
    const said = [asClock(seconds)];
    if (worst) said.push(`${this.evening.pieces[worst.piece].name} ${offText(worst.found)}, all others closer`);
    this.hint([...said, ...near.map((mark) => `▾ ${mark.text}`)].join(" · "), event);
  }

  hoverCrowd(panel, event) {
    const box = panel.surface.canvas.getBoundingClientRect();
    const x = event.clientX - box.left, y = event.clientY - box.top;
    const tile = this.crowd.layout(panel.surface.width).tiles.find(
      (one) => x >= one.left - 4 && x <= one.left + one.wide + 4 && y >= one.top - 8 && y <= one.top + one.high + 18);
    if (!tile) return this.hint(null);
    const piece = this.evening.pieces[tile.piece];
    const place = this.evening.at(this.seconds);
    const off = panel.way ? `: ${offText(this.evening.distance(tile.piece, place, panel.way))}` : "";
    this.hint(`${piece.name}, ${piece.pixels.toLocaleString("en")} pixels${off}`, event);
  }

  hint(words, event) {
    const hint = this.part("hint");
    hint.hidden = words === null;
    if (words === null) return;
    hint.textContent = words;
    const wide = Math.min(hint.offsetWidth, innerWidth - 16);
    hint.style.left = `${Math.max(8, Math.min(event.clientX + 14, innerWidth - wide - 8))}px`;
    hint.style.top = `${Math.max(8, event.clientY - hint.offsetHeight - 12)}px`;
  }
}

async function begin() {
  const root = document.getElementById("evening");
  if (root === null || typeof DecompressionStream === "undefined") return;
  const head = JSON.parse(document.getElementById("evening-head").textContent);
  const values = await unpacked(document.getElementById("evening-values").textContent.trim());
  root.hidden = false;
  document.documentElement.classList.add("moving");
  readTints();
  window.player = new Player(new Evening(head, values), root);
  document.documentElement.dataset.ready = "true";
}

begin();
