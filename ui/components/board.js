// A photo with the lines of a reading, drawn as vectors so that they stay sharp at any zoom.
// Pinch or buttons zoom; in "move lines" the line ends can be dragged by finger (offset loupe),
// by mouse, or nudged with the arrow keys. Coordinates that leave here are 0 to 1.

const NS = "http://www.w3.org/2000/svg";
// Okabe and Ito's palette on a dark casing; dash differs too, so colour is never the only sign.
const LOOKS = {
  edge: { colour: "#E69F00", dash: "", word: "fitted edge" },
  axis: { colour: "#56B4E9", dash: "", word: "axis", wide: true },
  surface: { colour: "#00B386", dash: "", word: "surface" },
  reflection: { colour: "#F0E442", dash: "7 4", word: "mirror image" },
  reference: { colour: "#E48FBE", dash: "12 4", word: "reference" },
  look: { colour: "#FF7A1F", dash: "3 4", word: "where it looked" },
  drawn: { colour: "#FFFFFF", dash: "2 5", word: "as drawn by you" },
};
const MAX_ZOOM = 24;
const SEND_MS = 160;
const PATIENCE_MS = 2000;
const kept = new WeakMap();

export default function (component) {
  const { data, parentElement, setStateValue } = component;
  const root = parentElement.querySelector(".board");
  let board = kept.get(root);
  if (!board) {
    board = new Board(root);
    kept.set(root, board);
  }
  board.tell = (marks) => setStateValue("marks", marks);
  board.update(data);
  return () => board.rest();
}

class Board {
  constructor(root) {
    const find = (name) => root.querySelector("." + name);
    this.pane = find("pane");
    this.photo = find("photo");
    this.svg = find("lines");
    this.layer = find("handles");
    this.loupe = find("loupe");
    this.caption = find("caption");
    this.moveButton = find("move");
    this.hint = find("hint");
    this.key = find("key");
    this.view = { scale: 1, x: 0, y: 0 };
    this.fingers = new Map();
    this.marks = {};
    this.touched = new Set();
    this.editing = false;
    this.dragging = null;
    this.asked = -PATIENCE_MS;
    this.waiting = false;
    find("in").onclick = () => this.zoomMiddle(1.6);
    find("out").onclick = () => this.zoomMiddle(1 / 1.6);
    find("whole").onclick = () => this.whole();
    this.moveButton.onclick = () => this.setEditing(!this.editing);
    this.listen();
    this.size = new ResizeObserver(() => this.draw());
    this.size.observe(this.pane);
  }

  rest() {
    clearTimeout(this.timer);
  }

  update(data) {
    const other = !this.data || this.data.preview !== data.preview || this.data.slot !== data.slot;
    this.data = data;
    if (other) {
      this.view = { scale: 1, x: 0, y: 0 };
      this.photo.src = data.preview;
      this.sharp = false;
      this.marks = {};
      this.touched = new Set();
      this.setEditing(Boolean(data.editing));
    }
    this.asked = -PATIENCE_MS;
    if (this.waiting) this.sendSoon();
    this.photo.alt = data.alt || "";
    this.caption.textContent = data.caption || "";
    this.pane.style.aspectRatio = `${data.width} / ${data.height}`;
    this.pane.style.maxHeight = "72vh";
    this.moveButton.hidden = !(data.handles && data.handles.length);
    if (!this.dragging) {
      const names = new Set((data.handles || []).map((h) => h.name));
      for (const name of Object.keys(this.marks)) if (!names.has(name)) delete this.marks[name];
      for (const h of data.handles || []) {
        if (other || !this.marks[h.name] || data.reset) this.marks[h.name] = [...h.points];
      }
      this.makeHandles();
    }
    this.makeKey();
    this.draw();
  }

  setEditing(on) {
    this.editing = on;
    this.moveButton.setAttribute("aria-pressed", String(on));
    this.moveButton.textContent = on ? "Done moving" : "Move lines";
    this.hint.hidden = !on;
    this.hint.textContent =
      "Drag a ring roughly onto its edge; the line snaps to it. With a keyboard: Tab to a ring, arrow keys nudge, Shift moves farther.";
    this.layer.style.display = on ? "" : "none";
    this.draw();
  }

  // Picture fraction (0..1) -> pane pixels and back.
  fit() {
    const w = this.pane.clientWidth;
    const h = this.pane.clientHeight;
    const { width, height } = this.data;
    const s = Math.min(w / width, h / height);
    return { w, h, bw: width * s, bh: height * s, ox: (w - width * s) / 2, oy: (h - height * s) / 2 };
  }

  toPane(u, v) {
    const f = this.fit();
    return [
      (f.ox + u * f.bw) * this.view.scale + this.view.x,
      (f.oy + v * f.bh) * this.view.scale + this.view.y,
    ];
  }

  toPhoto(x, y) {
    const f = this.fit();
    return [
      ((x - this.view.x) / this.view.scale - f.ox) / f.bw,
      ((y - this.view.y) / this.view.scale - f.oy) / f.bh,
    ];
  }

  draw() {
    if (!this.data || !this.pane.clientWidth) return;
    const f = this.fit();
    const { scale } = this.view;
    const px = f.w * (scale - 1);
    const py = f.h * (scale - 1);
    this.view.x = Math.min(0, Math.max(-px, this.view.x));
    this.view.y = Math.min(0, Math.max(-py, this.view.y));
    this.photo.style.left = `${f.ox * scale + this.view.x}px`;
    this.photo.style.top = `${f.oy * scale + this.view.y}px`;
    this.photo.style.width = `${f.bw * scale}px`;
    this.photo.style.height = `${f.bh * scale}px`;
    this.pane.classList.toggle("held", scale > 1.01);
    if (!this.sharp && f.bw * scale * (window.devicePixelRatio || 1) > 1500 && scale > 1.3) {
      this.sharp = true;
      const full = new Image();
      full.onload = () => {
        this.photo.src = full.src;
      };
      full.src = this.data.full;
    }
    const parts = [];
    for (const line of this.data.lines || []) {
      if (this.dragging && this.dragging.name === line.name) continue;
      parts.push(...this.stroke(line.points, LOOKS[line.role] || LOOKS.reference, scale));
    }
    if (this.editing) {
      const found = new Set((this.data.lines || []).map((l) => l.name));
      for (const [name, points] of Object.entries(this.marks)) {
        parts.push(...this.stroke(points, LOOKS.drawn, scale));
        if (name === this.active || !found.has(name)) parts.push(this.label(name, points));
      }
    }
    this.svg.replaceChildren(...parts);
    for (const button of this.layer.children) {
      const points = this.marks[button.dataset.name];
      if (!points) continue;
      const at = Number(button.dataset.end) * 2;
      const [x, y] = this.toPane(points[at], points[at + 1]);
      button.style.left = `${x}px`;
      button.style.top = `${y}px`;
    }
  }

  stroke(points, look) {
    const [x0, y0] = this.toPane(points[0], points[1]);
    const [x1, y1] = this.toPane(points[2], points[3]);
    return [
      ["#000", (look.wide ? 3 : 2.2) + 2.4, "", 0.55],
      [look.colour, look.wide ? 3 : 2.2, look.dash, 1],
    ].map(([colour, width, dash, opacity]) => {
      const line = document.createElementNS(NS, "line");
      const values = { x1: x0, y1: y0, x2: x1, y2: y1, stroke: colour, "stroke-width": width };
      for (const [k, v] of Object.entries(values)) line.setAttribute(k, v);
      line.setAttribute("stroke-dasharray", dash);
      line.setAttribute("stroke-opacity", opacity);
      line.setAttribute("stroke-linecap", "round");
      return line;
    });
  }

  label(name, points) {
    const [x0, y0] = this.toPane(points[0], points[1]);
    const [x1, y1] = this.toPane(points[2], points[3]);
    const text = document.createElementNS(NS, "text");
    const upright = Math.abs(x1 - x0) < Math.abs(y1 - y0);
    const side = name.includes("left") ? -8 : upright || name.includes("right") ? 8 : 0;
    text.setAttribute("x", (x0 + x1) / 2 + side);
    text.setAttribute("y", (y0 + y1) / 2 - (upright ? 0 : 10));
    text.setAttribute("text-anchor", side < 0 ? "end" : side > 0 ? "start" : "middle");
    text.textContent = name;
    return text;
  }

  makeKey() {
    const roles = new Set((this.data.lines || []).map((l) => l.role));
    if (this.editing) roles.add("drawn");
    this.key.replaceChildren(
      ...[...roles].map((role) => {
        const look = LOOKS[role] || LOOKS.reference;
        const item = document.createElement("li");
        const sample = document.createElementNS(NS, "svg");
        sample.setAttribute("viewBox", "0 0 38 14");
        const line = document.createElementNS(NS, "line");
        const values = { x1: 4, y1: 7, x2: 34, y2: 7, stroke: look.colour, "stroke-width": 3 };
        for (const [k, v] of Object.entries(values)) line.setAttribute(k, v);
        line.setAttribute("stroke-dasharray", look.dash);
        sample.append(line);
        const word = document.createElement("span");
        word.textContent = look.word;
        item.append(sample, word);
        return item;
      }),
    );
  }

  makeHandles() {
    const wanted = Object.keys(this.marks).flatMap((name) => [`${name}|0`, `${name}|1`]);
    const there = [...this.layer.children].map((b) => `${b.dataset.name}|${b.dataset.end}`);
    if (JSON.stringify(wanted) === JSON.stringify(there)) return;
    this.layer.replaceChildren(
      ...wanted.map((id) => {
        const [name, end] = id.split("|");
        const button = document.createElement("button");
        button.type = "button";
        button.dataset.name = name;
        button.dataset.end = end;
        button.setAttribute("aria-label", `${name}, ${end === "0" ? "one" : "other"} end`);
        button.addEventListener("focus", () => {
          this.active = name;
          this.draw();
        });
        button.addEventListener("keydown", (e) => this.nudge(e, name, Number(end)));
        button.addEventListener("pointerdown", (e) => {
          // Where rings overlap, the nearest one is meant.
          const near = this.nearest(e.clientX, e.clientY) || button;
          this.take(e, near, near.dataset.name, Number(near.dataset.end));
        });
        // Browsers on phones decide about scrolling at touchstart: say no there.
        button.addEventListener("touchstart", (e) => e.preventDefault(), { passive: false });
        return button;
      }),
    );
  }

  nearest(x, y) {
    let best = null;
    let least = Infinity;
    for (const button of this.layer.children) {
      const box = button.getBoundingClientRect();
      const away = Math.hypot(box.left + box.width / 2 - x, box.top + box.height / 2 - y);
      if (away < least) [best, least] = [button, away];
    }
    return best;
  }

  nudge(event, name, end) {
    const step = event.shiftKey ? 10 : 1;
    const move = {
      ArrowLeft: [-step, 0],
      ArrowRight: [step, 0],
      ArrowUp: [0, -step],
      ArrowDown: [0, step],
    }[event.key];
    if (!move) return;
    event.preventDefault();
    event.stopPropagation();
    const at = end * 2;
    const [x, y] = this.toPane(this.marks[name][at], this.marks[name][at + 1]);
    this.place(name, end, this.toPhoto(x + move[0], y + move[1]));
    this.sendSoon();
  }

  place(name, end, [u, v]) {
    this.active = name;
    this.touched.add(name);
    const at = end * 2;
    this.marks[name][at] = Math.min(1, Math.max(0, u));
    this.marks[name][at + 1] = Math.min(1, Math.max(0, v));
    this.draw();
  }

  take(event, button, name, end) {
    event.preventDefault();
    event.stopPropagation();
    button.focus({ preventScroll: true });
    button.setPointerCapture(event.pointerId);
    button.classList.add("dragged");
    const at = end * 2;
    const from = this.toPane(this.marks[name][at], this.marks[name][at + 1]);
    const offset = [from[0] - event.clientX, from[1] - event.clientY];
    this.dragging = { name, end };
    const move = (e) => {
      if (e.pointerId !== event.pointerId) return;
      const x = e.clientX + offset[0];
      const y = e.clientY + offset[1];
      this.place(name, end, this.toPhoto(x, y));
      this.showLoupe(name, end);
      this.sendSoon();
    };
    const stop = (e) => {
      if (e.pointerId !== event.pointerId) return;
      button.removeEventListener("pointermove", move);
      button.removeEventListener("pointerup", stop);
      button.removeEventListener("pointercancel", stop);
      button.classList.remove("dragged");
      this.dragging = null;
      this.loupe.hidden = true;
      this.draw();
      this.sendNow();
    };
    button.addEventListener("pointermove", move);
    button.addEventListener("pointerup", stop);
    button.addEventListener("pointercancel", stop);
    this.showLoupe(name, end);
  }

  showLoupe(name, end) {
    const at = end * 2;
    const points = this.marks[name];
    const [u, v] = [points[at], points[at + 1]];
    const [x, y] = this.toPane(u, v);
    const side = 130;
    // Above the finger, or in the upper corner away from it where there is no room.
    const above = y - side - 46;
    const right = this.pane.clientWidth - side - 4;
    const aside = x > this.pane.clientWidth / 2 ? 4 : right;
    const left = above > 4 ? Math.min(Math.max(x - side / 2, 4), right) : aside;
    const top = Math.max(above, 4);
    this.loupe.style.left = `${left}px`;
    this.loupe.style.top = `${top}px`;
    this.loupe.hidden = false;
    const c = this.loupe.getContext("2d");
    const image = this.photo;
    if (!image.naturalWidth) return;
    const f = this.fit();
    const near = (side / (f.bw * this.view.scale) / 2.5) * image.naturalWidth;
    c.fillStyle = "#000";
    c.fillRect(0, 0, 260, 260);
    const sx = u * image.naturalWidth - near / 2;
    const sy = v * image.naturalHeight - near / 2;
    c.drawImage(image, sx, sy, near, near, 0, 0, 260, 260);
    const far = [points[2 - at], points[3 - at]];
    const k = 260 / near;
    const dx = (far[0] - u) * image.naturalWidth * k;
    const dy = (far[1] - v) * image.naturalHeight * k;
    for (const [colour, width] of [["rgba(0,0,0,.6)", 5], ["#fff", 2]]) {
      c.strokeStyle = colour;
      c.lineWidth = width;
      c.beginPath();
      c.moveTo(130, 130);
      c.lineTo(130 + dx, 130 + dy);
      c.stroke();
      c.beginPath();
      c.arc(130, 130, 9, 0, 7);
      c.stroke();
    }
  }

  // While one answer is awaited only the newest position waits behind it, so none queue up.
  // A moving finger asks nothing; one that rests for a moment does. So the answer to the place
  // where it lets go seldom has to wait for an older one.
  sendSoon() {
    clearTimeout(this.timer);
    this.timer = setTimeout(() => this.sendNow(), SEND_MS);
  }

  sendNow() {
    clearTimeout(this.timer);
    this.timer = null;
    if (performance.now() - this.asked < PATIENCE_MS) {
      this.waiting = true;
      return;
    }
    this.waiting = false;
    const lines = {};
    for (const h of this.data.handles || []) {
      // A line that was not found counts only once it has been moved.
      if (h.role !== "drawn" || this.touched.has(h.name)) lines[h.name] = [...this.marks[h.name]];
    }
    const text = JSON.stringify(lines);
    if (text === this.sentText) return;
    this.sentText = text;
    this.asked = performance.now();
    this.tell({ slot: this.data.slot, lines });
  }

  zoomMiddle(factor) {
    this.zoomAt(this.pane.clientWidth / 2, this.pane.clientHeight / 2, factor);
  }

  zoomAt(x, y, factor) {
    const scale = Math.min(MAX_ZOOM, Math.max(1, this.view.scale * factor));
    const k = scale / this.view.scale;
    this.view = { scale, x: x - (x - this.view.x) * k, y: y - (y - this.view.y) * k };
    this.draw();
  }

  whole() {
    this.view = { scale: 1, x: 0, y: 0 };
    this.draw();
  }

  listen() {
    const here = (e) => {
      const box = this.pane.getBoundingClientRect();
      return [e.clientX - box.left, e.clientY - box.top];
    };
    this.pane.addEventListener("pointerdown", (e) => {
      this.fingers.set(e.pointerId, here(e));
      if (this.view.scale > 1.01 || this.fingers.size > 1) this.pane.setPointerCapture(e.pointerId);
    });
    this.pane.addEventListener("pointermove", (e) => {
      if (!this.fingers.has(e.pointerId) || this.dragging) return;
      const before = [...this.fingers.values()];
      const old = this.fingers.get(e.pointerId);
      const now = here(e);
      this.fingers.set(e.pointerId, now);
      const after = [...this.fingers.values()];
      if (after.length === 1 && this.view.scale > 1.01) {
        this.view.x += now[0] - old[0];
        this.view.y += now[1] - old[1];
        this.draw();
      } else if (after.length >= 2) {
        const span = (p) => Math.hypot(p[0][0] - p[1][0], p[0][1] - p[1][1]) || 1;
        const middle = (p) => [(p[0][0] + p[1][0]) / 2, (p[0][1] + p[1][1]) / 2];
        const [m0, m1] = [middle(before), middle(after)];
        this.view.x += m1[0] - m0[0];
        this.view.y += m1[1] - m0[1];
        this.zoomAt(m1[0], m1[1], span(after) / span(before));
      }
    });
    for (const name of ["pointerup", "pointercancel", "lostpointercapture"]) {
      this.pane.addEventListener(name, (e) => this.fingers.delete(e.pointerId));
    }
    this.pane.addEventListener(
      "touchstart",
      (e) => {
        if (e.touches.length > 1) e.preventDefault();
      },
      { passive: false },
    );
    this.pane.addEventListener("dblclick", (e) => {
      const [x, y] = here(e);
      if (this.view.scale > 3) this.whole();
      else this.zoomAt(x, y, 2.5);
    });
    this.pane.addEventListener(
      "wheel",
      (e) => {
        if (!e.ctrlKey && !e.metaKey) return;
        e.preventDefault();
        const [x, y] = here(e);
        this.zoomAt(x, y, Math.exp(-e.deltaY / 300));
      },
      { passive: false },
    );
  }
}
