// The picture of a card with the stains found drawn over it: zoom by wheel, pinch, buttons and keys;
// pan by dragging and arrows; a stain pointed at, tapped or stepped to tells its size. Stains that
// do not count have another shape and colour and can be hidden.
"use strict";

(() => {
  const COUNTED = "#b0007a";
  const LEFT_OUT = "#e06000";
  const HALO = "rgba(255,255,255,.85)";
  const MOST = 24; // screen pixels for one pixel of the picture
  const STEP = 1.5;
  const REACH = 14; // how far beside a small stain a finger may land [CSS px]

  const load = (address) =>
    new Promise((resolve, reject) => {
      const picture = new Image();
      picture.onload = () => resolve(picture);
      picture.onerror = () => reject(new Error("the picture cannot be shown"));
      picture.src = address;
    });
  const read = async (address) => {
    const answer = await fetch(address);
    if (!answer.ok) throw new Error(`the server answered ${answer.status}`);
    return answer.json();
  };

  class Viewer {
    constructor(box) {
      this.box = box;
      this.canvas = box.querySelector("canvas");
      this.words = box.querySelector("[data-words]");
      this.excluded = box.querySelector("[data-excluded]");
      this.pen = this.canvas.getContext("2d");
      this.scale = 1; // CSS px for one px of the picture
      this.x = 0; // place of the middle of the canvas on the picture
      this.y = 0;
      this.chosen = -1;
      this.fingers = new Map();
      this.still = this.words.textContent;
    }

    async start() {
      this.box.hidden = false;
      this.words.textContent = "Fetching the picture…";
      try {
        [this.picture, this.stains] = await Promise.all([
          load(this.box.dataset.picture),
          read(this.box.dataset.stains),
        ]);
      } catch (error) {
        this.words.textContent = `The card cannot be shown: ${error.message}. Load the page again.`;
        return;
      }
      const s = this.stains;
      this.width = s.size_px[0];
      this.height = s.size_px[1];
      this.bySize = [...s.x.keys()].sort((a, b) => s.stain_um[b] - s.stain_um[a]);
      this.words.textContent = this.still;
      this.listen();
      new ResizeObserver(() => this.fit()).observe(this.canvas);
    }

    // --- the view

    fit() {
      const ratio = devicePixelRatio || 1;
      const whole = !this.least || this.scale <= this.least * 1.001;
      this.wide = this.canvas.clientWidth;
      this.tall = this.canvas.clientHeight;
      this.canvas.width = Math.round(this.wide * ratio);
      this.canvas.height = Math.round(this.tall * ratio);
      this.pen.setTransform(ratio, 0, 0, ratio, 0, 0);
      this.least = Math.min(this.wide / this.width, this.tall / this.height) * 0.98;
      if (whole) this.whole();
      else this.view();
    }

    whole() {
      this.scale = this.least;
      this.x = this.width / 2;
      this.y = this.height / 2;
      this.view();
    }

    // Zoom about a place of the canvas, which stays where it is.
    zoom(factor, atX = this.wide / 2, atY = this.tall / 2) {
      const [x, y] = this.onPicture(atX, atY);
      this.scale = Math.min(Math.max(this.scale * factor, this.least), MOST);
      this.x = x - (atX - this.wide / 2) / this.scale;
      this.y = y - (atY - this.tall / 2) / this.scale;
      this.view();
    }

    pan(dx, dy) {
      this.x -= dx / this.scale;
      this.y -= dy / this.scale;
      this.view();
    }

    view() {
      const keep = (at, size, room) =>
        size <= room ? size / 2 : Math.min(Math.max(at, room / 2), size - room / 2);
      this.x = keep(this.x, this.width, this.wide / this.scale);
      this.y = keep(this.y, this.height, this.tall / this.scale);
      this.canvas.classList.toggle("zoomed", this.scale > this.least * 1.001);
      if (!this.asked) this.asked = requestAnimationFrame(() => this.draw());
    }

    onPicture(x, y) {
      return [this.x + (x - this.wide / 2) / this.scale, this.y + (y - this.tall / 2) / this.scale];
    }

    // --- drawing

    draw() {
      this.asked = 0;
      const { pen, stains: s } = this;
      const left = this.wide / 2 - this.x * this.scale;
      const top = this.tall / 2 - this.y * this.scale;
      pen.clearRect(0, 0, this.wide, this.tall);
      pen.imageSmoothingEnabled = this.scale < 3;
      pen.drawImage(this.picture, left, top, this.width * this.scale, this.height * this.scale);
      const seen = [];
      for (let i = 0; i < s.x.length; i++) {
        if (!this.shown(i)) continue;
        const x = left + s.x[i] * this.scale;
        const y = top + s.y[i] * this.scale;
        const r = (s.length[i] / 2) * this.scale + 3;
        if (x > -r && y > -r && x < this.wide + r && y < this.tall + r) seen.push([i, x, y]);
      }
      this.stroke(seen.filter(([i]) => s.counted[i]), COUNTED, false);
      this.stroke(seen.filter(([i]) => !s.counted[i]), LEFT_OUT, true);
      const chosen = seen.filter(([i]) => i === this.chosen);
      this.stroke(chosen, "#000", false, 4);
      this.stroke(chosen, "#ffe14d", false, 2.5);
    }

    stroke(some, colour, boxes, wide = 0) {
      const { pen, stains: s } = this;
      // On the whole card thousands of stains lie close: a thin line close by, or they go under.
      const far = !wide && this.scale < 0.5;
      const gap = wide ? 4 : far ? 0.5 : 1.5;
      pen.beginPath();
      for (const [i, x, y] of some) {
        const a = (s.length[i] / 2) * this.scale + gap;
        const b = (s.breadth[i] / 2) * this.scale + gap;
        const turn = (s.angle[i] * Math.PI) / 180;
        if (boxes) {
          const [c, d] = [Math.cos(turn), Math.sin(turn)];
          pen.moveTo(x - a * c + b * d, y - a * d - b * c);
          pen.lineTo(x + a * c + b * d, y + a * d - b * c);
          pen.lineTo(x + a * c - b * d, y + a * d + b * c);
          pen.lineTo(x - a * c - b * d, y - a * d + b * c);
          pen.closePath();
        } else {
          pen.moveTo(x + a * Math.cos(turn), y + a * Math.sin(turn));
          pen.ellipse(x, y, a, b, turn, 0, 2 * Math.PI);
        }
      }
      const fine = this.scale < 1 ? 0.8 : 1.6;
      if (!wide && this.scale >= 1) {
        pen.strokeStyle = HALO;
        pen.lineWidth = 3.4;
        pen.stroke();
      }
      pen.setLineDash(boxes && this.scale >= 1 ? [5, 3] : []);
      pen.strokeStyle = colour;
      pen.lineWidth = wide || (boxes ? Math.max(fine, 1.4) : far ? 0.6 : fine);
      pen.stroke();
      pen.setLineDash([]);
    }

    shown(i) {
      return this.stains.counted[i] || this.excluded.checked;
    }

    // --- one stain

    near(atX, atY) {
      const s = this.stains;
      const [x, y] = this.onPicture(atX, atY);
      let best = -1;
      let least = REACH / this.scale;
      for (let i = 0; i < s.x.length; i++) {
        if (!this.shown(i)) continue;
        const beside = Math.hypot(s.x[i] - x, s.y[i] - y) - (s.length[i] + s.breadth[i]) / 4;
        if (beside < least) [best, least] = [i, beside];
      }
      return best;
    }

    choose(i) {
      if (i === this.chosen) return;
      this.chosen = i;
      this.words.textContent = i < 0 ? this.still : this.tell(i);
      this.view();
    }

    tell(i) {
      const s = this.stains;
      const why = s.reasons[s.why[i]];
      const drop = s.drop_um[i] === null ? "" : `, drop ${s.drop_um[i]} µm`;
      return `Stain ${s.stain_um[i]} µm${drop}${why ? `; ${why}` : ""}.`;
    }

    // To the next smaller or larger stain that is shown, and bring it into view.
    step(by) {
      const order = this.bySize.filter((i) => this.shown(i));
      if (!order.length) return;
      const at = order.indexOf(this.chosen);
      const next = at < 0 ? 0 : Math.min(Math.max(at + by, 0), order.length - 1);
      const i = order[next];
      const big = 40 / Math.max(this.stains.length[i], 1);
      this.scale = Math.min(Math.max(this.scale, big, this.least), MOST);
      this.x = this.stains.x[i];
      this.y = this.stains.y[i];
      this.choose(i);
      this.view();
    }

    // --- hands

    listen() {
      const { canvas } = this;
      canvas.addEventListener("wheel", (event) => {
        event.preventDefault();
        this.zoom(Math.exp(-event.deltaY * (event.deltaMode ? 0.05 : 0.002)), ...at(event));
      }, { passive: false });
      canvas.addEventListener("pointerdown", (event) => this.down(event));
      canvas.addEventListener("pointermove", (event) => this.move(event));
      for (const end of ["pointerup", "pointercancel"]) {
        canvas.addEventListener(end, (event) => this.up(event));
      }
      canvas.addEventListener("pointerleave", (event) => {
        if (event.pointerType === "mouse" && !this.fingers.size) this.choose(-1);
      });
      canvas.addEventListener("dblclick", (event) => this.zoom(2 * STEP, ...at(event)));
      canvas.addEventListener("keydown", (event) => this.key(event));
      this.excluded.addEventListener("change", () => {
        if (this.chosen >= 0 && !this.shown(this.chosen)) this.choose(-1);
        this.view();
      });
      for (const button of this.box.querySelectorAll("[data-do]")) {
        button.addEventListener("click", () => this.act(button.dataset.do));
      }
    }

    act(what) {
      if (what === "in") this.zoom(STEP);
      else if (what === "out") this.zoom(1 / STEP);
      else if (what === "whole") this.whole();
      else this.step(what === "next" ? 1 : -1);
    }

    down(event) {
      this.fingers.set(event.pointerId, at(event));
      this.moved = false;
      // One finger on the whole card scrolls the page; two always zoom.
      if (this.fingers.size > 1 || event.pointerType === "mouse" || this.zoomed) {
        this.canvas.setPointerCapture(event.pointerId);
      }
      this.canvas.classList.add("held");
    }

    get zoomed() {
      return this.canvas.classList.contains("zoomed");
    }

    move(event) {
      const before = this.fingers.get(event.pointerId);
      const now = at(event);
      if (!before) {
        if (event.pointerType === "mouse") this.choose(this.near(...now));
        return;
      }
      if (!this.moved && Math.hypot(now[0] - before[0], now[1] - before[1]) < 4) return;
      this.moved = true;
      const other = [...this.fingers].find(([id]) => id !== event.pointerId);
      this.fingers.set(event.pointerId, now);
      if (!other) return this.pan(now[0] - before[0], now[1] - before[1]);
      const spread = (p) => Math.hypot(p[0] - other[1][0], p[1] - other[1][1]);
      const middle = (p) => [(p[0] + other[1][0]) / 2, (p[1] + other[1][1]) / 2];
      const [from, to] = [middle(before), middle(now)];
      this.pan(to[0] - from[0], to[1] - from[1]);
      this.zoom(spread(now) / Math.max(spread(before), 1), ...to);
    }

    up(event) {
      const known = this.fingers.delete(event.pointerId);
      if (!this.fingers.size) this.canvas.classList.remove("held");
      if (known && !this.moved && event.type === "pointerup") this.choose(this.near(...at(event)));
    }

    key(event) {
      if (event.ctrlKey || event.metaKey || event.altKey) return;
      const far = 60;
      const deeds = {
        "+": () => this.zoom(STEP),
        "=": () => this.zoom(STEP),
        "-": () => this.zoom(1 / STEP),
        "−": () => this.zoom(1 / STEP),
        0: () => this.whole(),
        n: () => this.step(1),
        p: () => this.step(-1),
        ArrowLeft: () => this.pan(far, 0),
        ArrowRight: () => this.pan(-far, 0),
        ArrowUp: () => this.pan(0, far),
        ArrowDown: () => this.pan(0, -far),
      };
      const deed = deeds[event.key] || deeds[event.key.toLowerCase()];
      if (!deed) return;
      event.preventDefault();
      deed();
    }
  }

  const at = (event) => {
    const box = event.currentTarget ? event.currentTarget.getBoundingClientRect() : null;
    return box ? [event.clientX - box.left, event.clientY - box.top] : [0, 0];
  };

  for (const box of document.querySelectorAll("[data-viewer]")) new Viewer(box).start();
})();
