"use strict";

// Decks as marks, cells of many decks, and plans at their true place, all on one canvas.

const MOST_MARKS = 12000;  // decks in view past which they are drawn together in cells
const MOST_RINGED = 2000;  // decks in view past which doubt is not ringed
const CELL = 22;  // px from the middle of a cell to its corner
const DETAIL_ZOOM = 15;

function drawMark(c, x, y, r, look) {
  const circle = (radius) => { c.beginPath(); c.arc(x, y, radius, 0, 2 * Math.PI); };
  c.save();
  if (look.urgent) {  // 2: a whole frame; 1: its corners alone
    const h = r + 3.6, corner = 0.36 * h, whole = look.urgent > 1;
    c.beginPath();
    if (whole) c.rect(x - h, y - h, 2 * h, 2 * h);
    else for (const [u, v] of [[-1, -1], [1, -1], [1, 1], [-1, 1]]) {
      c.moveTo(x + u * h, y + v * (h - corner)); c.lineTo(x + u * h, y + v * h); c.lineTo(x + u * (h - corner), y + v * h);
    }
    c.lineWidth = whole ? 4.6 : 3.8; c.strokeStyle = PAPER; c.stroke();
    c.lineWidth = whole ? 2.2 : 1.6; c.strokeStyle = INK; c.stroke();
  }
  for (let k = 1; k <= look.rings; k++) {
    circle(r + 2.8 * k);
    c.lineWidth = 2.4; c.strokeStyle = PAPER; c.stroke();
    c.lineWidth = 1; c.strokeStyle = INK; c.stroke();
  }
  circle(r);
  c.fillStyle = look.colour ?? "#ffffff";
  c.globalAlpha = look.colour ? 1 : 0.75;
  c.fill();
  c.globalAlpha = 1;
  c.lineWidth = look.colour ? 1.2 : 1.8;
  c.strokeStyle = look.colour ? INK : GREY;
  c.stroke();
  if (look.soft) {
    circle(Math.max(1.3, r * 0.36));
    c.fillStyle = PAPER; c.fill();
    c.lineWidth = 0.8; c.strokeStyle = INK; c.stroke();
  }
  c.restore();
}
function light(colour) {
  const part = (k) => { const v = parseInt(colour.slice(k, k + 2), 16) / 255; return v <= 0.03928 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4; };
  return 0.2126 * part(1) + 0.7152 * part(3) + 0.0722 * part(5) > 0.3;
}
function hexagon(c, x, y, r) {
  c.beginPath();
  for (let k = 0; k < 6; k++) c.lineTo(x + r * Math.sin(k * Math.PI / 3), y + r * Math.cos(k * Math.PI / 3));
  c.closePath();
}
const shortCount = (n) => (n < 1000 ? String(n) : n < 9950 ? (n / 1000).toFixed(1) + "k" : Math.round(n / 1000) + "k");
function drawCell(c, x, y, look, count) {
  hexagon(c, x, y, CELL - 1);
  c.fillStyle = PAPER; c.globalAlpha = 0.8; c.fill(); c.globalAlpha = 1;
  c.lineWidth = look.urgent ? 2.6 : 0.8; c.strokeStyle = look.urgent ? INK : GREY;
  if (look.urgent === 1) c.setLineDash([4, 4]);
  c.stroke(); c.setLineDash([]);
  hexagon(c, x, y, (CELL - 3.5) * look.size);
  c.fillStyle = look.colour ?? "#ffffff"; c.fill();
  c.lineWidth = 0.8; c.strokeStyle = look.colour ? INK : GREY; c.stroke();
  if (!count) return;
  const dark = look.colour && !light(look.colour);
  c.font = "600 11px system-ui, 'DejaVu Sans', sans-serif"; c.textAlign = "center"; c.textBaseline = "middle";
  c.lineWidth = 2.6; c.lineJoin = "round"; c.strokeStyle = dark ? "#00224e" : "#ffffffcc"; c.strokeText(shortCount(count), x, y);
  c.fillStyle = dark ? "#ffffff" : INK; c.fillText(shortCount(count), x, y);
}

// ---- plans: defects differ by hatching as well as by tone

const slant = (c, up) => { for (const k of [-6, 0, 6]) { c.moveTo(k, up ? 6 : 0); c.lineTo(k + 6, up ? 0 : 6); } };
const HATCHES = {
  delamination: { line: "#2a4a7c", draw: (c) => slant(c, true) },
  spall: { line: "#4b4a48", draw: (c) => { slant(c, true); slant(c, false); } },
  "exposed bar": { line: "#6a5a2a", draw: (c) => { for (const x of [1.5, 4.5]) { c.moveTo(x, 0); c.lineTo(x, 6); } } },
  "failed patch": { line: "#6f6a55", draw: (c) => { c.moveTo(0.5, 1.5); c.lineTo(2, 1.5); c.moveTo(3.5, 4.5); c.lineTo(5, 4.5); } },
  hole: { line: "#101820", solid: true },
};
const OTHER = { line: "#4b4a48", draw: (c) => { c.moveTo(0, 3); c.lineTo(6, 3); } };
const hatchOf = (kind) => (kind !== null && Object.hasOwn(HATCHES, kind) ? HATCHES[kind] : OTHER);
function hatchInk(hatch) {
  if (hatch.solid) return hatch.line;
  if (!hatch.pattern) {
    const tile = node("canvas");
    tile.width = tile.height = 6;
    const c = tile.getContext("2d");
    c.strokeStyle = hatch.line; c.lineWidth = 1.1;
    c.beginPath(); hatch.draw(c); c.stroke();
    hatch.pattern = c.createPattern(tile, "repeat");
  }
  return hatch.pattern;
}
const PLAN_STYLE = {
  outline: (c, path) => { c.fillStyle = "#ffffff"; c.fill(path, "evenodd"); c.lineWidth = 1.3; c.strokeStyle = INK; c.stroke(path); },
  patch: (c, path) => { c.fillStyle = "#dfe3e6"; c.fill(path, "evenodd"); c.lineWidth = 1; c.setLineDash([1.5, 2]); c.strokeStyle = "#55606c"; c.stroke(path); c.setLineDash([]); },
  defect: (c, path, kind) => { const h = hatchOf(kind); c.fillStyle = hatchInk(h); c.fill(path, "evenodd"); c.lineWidth = 1.1; c.strokeStyle = h.line; c.stroke(path); },
  limit: (c, path) => { c.lineWidth = 3.4; c.strokeStyle = "#ffffff"; c.stroke(path); c.lineWidth = 1.8; c.setLineDash([7, 3]); c.strokeStyle = "#7a3b00"; c.stroke(path); c.setLineDash([]); },
};

// Everything drawn on each deck, in station and offset, m.
class Plans {
  constructor(net) {
    const cols = net.later, n = net.n, num = (name) => cols.num(name);
    this.net = net;
    this.step = net.about.planStep;
    this.layAt = this.running(num("lay.count"));
    this.lay = { x: num("lay.x"), y: num("lay.y"), ox: num("lay.ox"), oy: num("lay.oy"), way: num("lay.way") };
    this.length = num("length_m");
    this.width = num("width_m");
    this.sort = {};
    for (const name of ["outline", "defect", "patch"]) {
      const deck = cols.sums(name + ".deck"), rings = num(name + ".rings"), points = num(name + ".points");
      const ringAt = this.running(rings), pointAt = this.running(points);
      this.sort[name] = { at: starts(deck, n), ringAt, pointAt, points, ax: num(name + ".ax"), ay: num(name + ".ay"), x: num(name + ".x"), y: num(name + ".y") };
    }
    this.kind = cols.text("defect.kind");
    this.defectDay = num("defect.day");
    this.patchDay = num("patch.day");
    this.patchTreatment = cols.text("patch.treatment");
    const limit = cols.sums("limit.deck");
    this.limits = { at: starts(limit, n), a: num("limit.from_station_m"), b: num("limit.to_station_m"), l: num("limit.from_offset_m"), r: num("limit.to_offset_m"), depth: cols.text("limit.depth_class") };
    this.frames = new Map();
  }
  running(counts) {
    const out = new Int32Array(counts.length + 1);
    for (let i = 0; i < counts.length; i++) out[i + 1] = out[i] + counts[i];
    return out;
  }
  // Rings of one shape; each begins where the steps since the shape's first corner lead.
  rings(sort, s) {
    const out = [];
    // Steps are one fewer than corners in each shape.
    let x = sort.ax[s], y = sort.ay[s], q = sort.pointAt[sort.ringAt[s]] - s, begun = false;
    for (let r = sort.ringAt[s]; r < sort.ringAt[s + 1]; r++) {
      const ring = [];
      for (let k = 0; k < sort.points[r]; k++) {
        if (begun) { x += sort.x[q]; y += sort.y[q]; q += 1; }
        begun = true;
        ring.push([x * this.step, y * this.step]);
      }
      out.push(ring);
    }
    return out;
  }
  edge(i) {
    const own = this.sort.outline, at = own.at[i];
    if (own.at[i + 1] > at) return this.rings(own, at);
    const l = this.length[i], w = this.width[i] / 2;
    if (!(l > 0 && w > 0)) return null;
    const cuts = Math.max(1, Math.ceil(l / 5)), along = Array.from({ length: cuts + 1 }, (_, k) => l * k / cuts);
    return [[...along.map((s) => [s, -w]), ...along.reverse().map((s) => [s, w])]];
  }
  shapes(i) {
    const out = [], edge = this.edge(i);
    if (edge) out.push({ sort: "outline", rings: edge });
    for (let s = this.sort.patch.at[i]; s < this.sort.patch.at[i + 1]; s++) {
      out.push({ sort: "patch", rings: this.rings(this.sort.patch, s), words: `${capital(this.patchTreatment(s) ?? "repair")}, ${Number.isNaN(this.patchDay[s]) ? "date not known" : dayWords(this.patchDay[s])}` });
    }
    for (let s = this.sort.defect.at[i]; s < this.sort.defect.at[i + 1]; s++) {
      const kind = this.kind(s), day = this.defectDay[s];
      out.push({ sort: "defect", kind, rings: this.rings(this.sort.defect, s), words: `${capital(kind ?? "kind not given")}, survey of ${Number.isNaN(day) ? "unknown date" : dayWords(day)}` });
    }
    const { at, a, b, l, r, depth } = this.limits;
    for (let s = at[i]; s < at[i + 1]; s++) {
      out.push({ sort: "limit", rings: [[[a[s], l[s]], [b[s], l[s]], [b[s], r[s]], [a[s], r[s]]]],
        words: `Repair limit ${digits.setOut(b[s] - a[s])} \u00d7 ${digits.setOut(r[s] - l[s])} m` + (depth(s) === null ? "" : `, ${depth(s)}`) });
    }
    return out;
  }
  drawnOn(i) { return this.count("defect", i) + this.count("patch", i) + this.count("limit", i) > 0; }
  has(i) { return this.layAt[i + 1] > this.layAt[i] && this.edge(i) !== null; }
  count(name, i) { const at = name === "limit" ? this.limits.at : this.sort[name].at; return at[i + 1] - at[i]; }
  // From station and offset to longitude and latitude: offset lines meet on the bisector of each bend.
  ground(i) {
    if (this.frames.has(i)) return this.frames.get(i);
    const a = this.layAt[i], count = this.layAt[i + 1] - a, line = [];
    for (let k = 0; k < count; k++) line.push([this.lay.x[a + k], this.lay.y[a + k]]);
    const station = [0], right = [];
    for (let k = 0; k + 1 < count; k++) {
      const dx = line[k + 1][0] - line[k][0], dy = line[k + 1][1] - line[k][1], size = Math.hypot(dx, dy) || 1;
      station.push(station[k] + size);
      right.push([dy / size, -dx / size]);
    }
    const normal = line.map((_, k) => {
      const before = right[Math.max(k - 1, 0)], after = right[Math.min(k, right.length - 1)];
      const mx = before[0] + after[0], my = before[1] + after[1], square = Math.max(mx * mx + my * my, 1);
      return [2 * mx / square, 2 * my / square];
    });
    const lon0 = this.net.about.lon + this.lay.ox[i], lat0 = this.net.about.lat + this.lay.oy[i], phi = lat0 * Math.PI / 180;
    const e2 = 0.00669437999014, w = 1 - e2 * Math.sin(phi) ** 2, across = 6378137 / Math.sqrt(w), along = 6378137 * (1 - e2) / w ** 1.5;
    const tan = Math.tan(phi), deg = 180 / Math.PI;
    const frame = (s, o) => {
      let k = 0;
      while (k < count - 2 && s >= station[k + 1]) k += 1;
      const f = (s - station[k]) / (station[k + 1] - station[k]), in_ = Math.max(0, Math.min(1, f));
      const x = line[k][0] + (line[k + 1][0] - line[k][0]) * f + (normal[k][0] * (1 - in_) + normal[k + 1][0] * in_) * o;
      const y = line[k][1] + (line[k + 1][1] - line[k][1]) * f + (normal[k][1] * (1 - in_) + normal[k + 1][1] * in_) * o;
      return [lon0 + deg * x / (across * Math.cos(phi)) * (1 + y * tan / across), lat0 + deg * (y / along - x * x * tan / (2 * across * along))];
    };
    this.frames.set(i, frame);
    return frame;
  }
}
function pathOf(rings, put) {
  const path = new Path2D();
  for (const ring of rings) {
    ring.forEach(([s, o], k) => { const [x, y] = put(s, o); if (k) path.lineTo(x, y); else path.moveTo(x, y); });
    path.closePath();
  }
  return path;
}

// ---- the layer

const DecksLayer = L.Renderer.extend({
  options: { padding: 0.25, pane: "overlayPane" },
  initialize(view, options) {
    L.Renderer.prototype.initialize.call(this, options);
    this._view = view;
    this._sprites = new Map();
    this.marks = [];
    this.cells = null;
    this.plans = [];
  },
  _initContainer() {
    this._container = node("canvas");
    this._ctx = this._container.getContext("2d");
  },
  _destroyContainer() { this._container.remove(); delete this._ctx; delete this._container; },
  _updatePaths() { this.draw(); },
  _update() {
    if (this._map._animatingZoom && this._bounds) return;
    L.Renderer.prototype._update.call(this);
    const size = this._bounds.getSize(), box = this._container, m = this._ratio = Math.max(window.devicePixelRatio || 1, this._view.sharp || 1);
    L.DomUtil.setPosition(box, this._bounds.min);
    box.width = m * size.x; box.height = m * size.y;
    box.style.width = size.x + "px"; box.style.height = size.y + "px";
    this.fire("update");
  },
  _sprite(look, small) {
    const r = small ? 4.5 : look.r;
    const key = [look.colour, r, look.soft, look.rings, look.urgent, this._ratio].join();
    let made = this._sprites.get(key);
    if (!made) {
      const half = Math.ceil(r + 9), box = node("canvas");
      box.width = box.height = 2 * half * this._ratio;
      const c = box.getContext("2d");
      c.scale(this._ratio, this._ratio);
      drawMark(c, half, half, r, look);
      made = { box, half, r };
      this._sprites.set(key, made);
    }
    return made;
  },
  draw() {
    const view = this._view, { net, figures, shown } = view, c = this._ctx, b = this._bounds, map = this._map, zoom = map.getZoom();
    const world = 256 * 2 ** zoom, origin = map.getPixelOrigin();
    c.setTransform(this._ratio, 0, 0, this._ratio, -b.min.x * this._ratio, -b.min.y * this._ratio);
    c.clearRect(b.min.x, b.min.y, b.max.x - b.min.x, b.max.y - b.min.y);
    const at = [];
    const left = (b.min.x + origin.x) / world, right = (b.max.x + origin.x) / world, top = (b.min.y + origin.y) / world, low = (b.max.y + origin.y) / world;
    for (let i = 0; i < net.n; i++) {
      if (shown[i] && net.mx[i] >= left && net.mx[i] <= right && net.my[i] >= top && net.my[i] <= low) at.push(i);
    }
    this._drawPlans(c, at, zoom, world, origin);
    view.ringed = at.length <= MOST_RINGED;
    this.marks = [];
    this.cells = at.length > MOST_MARKS ? this._gather(at, world) : null;
    if (this.cells) {
      for (const cell of this.cells) {
        cell.px = cell.wx - origin.x; cell.py = cell.wy - origin.y;
        drawCell(c, cell.px, cell.py, view.cellLook(cell), cell.count);
      }
      return;
    }
    const turned = view.theme.turned, most = view.theme.classes.length, order = Array.from({ length: most + 3 }, () => []);
    for (let k = at.length - 1; k >= 0; k--) {
      const level = figures.level[at[k]], urgent = view.marked ? view.act[at[k]] : 0;
      order[urgent ? most + urgent : level < 0 ? 0 : turned ? most - level : level + 1].push(at[k]);
    }
    const close = zoom >= DETAIL_ZOOM + 2, sprites = [];
    for (const group of order) for (const i of group) {
      const x = net.mx[i] * world - origin.x, y = net.my[i] * world - origin.y, small = close && view.plans?.has(i) ? 1 : 0;
      const rings = view.ringed ? figures.rings[i] : 0, urgent = view.marked ? view.act[i] : 0;
      const code = ((((figures.level[i] + 1) * 2 + figures.soft[i]) * 3 + rings) * 3 + urgent) * 2 + small;
      const sprite = (sprites[code] ??= this._sprite(view.look(i), small));
      c.drawImage(sprite.box, x - sprite.half, y - sprite.half, 2 * sprite.half, 2 * sprite.half);
      this.marks.push([i, x, y, sprite.r]);
    }
    const chosen = view.chosen;
    if (chosen >= 0 && net.drawn[chosen] && !(close && view.plans?.has(chosen))) {
      const x = net.mx[chosen] * world - origin.x, y = net.my[chosen] * world - origin.y;
      for (const [width, colour] of [[6, PAPER], [2.4, INK]]) {
        c.beginPath(); c.arc(x, y, 19, 0, 2 * Math.PI); c.lineWidth = width; c.strokeStyle = colour; c.stroke();
      }
    }
  },
  _drawPlans(c, at, zoom, world, origin) {
    const view = this._view;
    this.plans = [];
    if (zoom < DETAIL_ZOOM || !view.plans || at.length > 400) return;
    for (const i of at) {
      if (!view.plans.has(i)) continue;
      const ground = view.plans.ground(i), shapes = view.plans.shapes(i), soft = view.figures.soft[i];
      const put = (s, o) => { const [lon, lat] = ground(s, o); return [(lon / 360 + 0.5) * world - origin.x, mercator(lat) * world - origin.y]; };
      for (const shape of shapes) {
        shape.path = pathOf(shape.rings, put);
        PLAN_STYLE[shape.sort](c, shape.path, shape.kind, soft);
      }
      this.plans.push({ i, shapes });
    }
  },
  _gather(at, world) {
    const { net, figures, act } = this._view, wide = CELL * Math.sqrt(3), high = CELL * 1.5, cells = new Map();
    for (const i of at) {
      const x = net.mx[i] * world, y = net.my[i] * world;
      let row = Math.round(y / high), col = Math.round(x / wide - (row & 1) / 2);
      let far = (x - (col + (row & 1) / 2) * wide) ** 2 + (y - row * high) ** 2;
      for (const next of [row - 1, row + 1]) {  // the nearest middle may lie in a row beside
        const c2 = Math.round(x / wide - (next & 1) / 2), f2 = (x - (c2 + (next & 1) / 2) * wide) ** 2 + (y - next * high) ** 2;
        if (f2 < far) { far = f2; row = next; col = c2; }
      }
      const key = row * 1e8 + col;
      let cell = cells.get(key);
      if (!cell) cells.set(key, cell = { wx: (col + (row & 1) / 2) * wide, wy: row * high, count: 0, known: 0, sum: 0, least: Infinity, greatest: -Infinity, open: 0, unsure: 0 });
      const v = figures.value[i];
      cell.count += 1;
      if (!Number.isNaN(v)) { cell.known += 1; cell.sum += v; cell.least = Math.min(cell.least, v); cell.greatest = Math.max(cell.greatest, v); }
      if (act[i] > 1) cell.open += 1; else if (act[i]) cell.unsure += 1;
    }
    return [...cells.values()];
  },
  // What lies under a point of the layer: a deck, a cell, or a shape of a plan.
  under(p) {
    if (this.cells) {
      let best = null, least = CELL;
      for (const cell of this.cells) {
        const far = Math.hypot(cell.px - p.x, cell.py - p.y);
        if (far < least) { least = far; best = cell; }
      }
      return best && { cell: best };
    }
    let best = null, least = Infinity;
    for (const [i, x, y, r] of this.marks) {
      const far = Math.hypot(x - p.x, y - p.y);
      if (far <= r + 4 && far <= least) { least = far; best = i; }
    }
    if (best !== null) return { deck: best };
    for (const { i, shapes } of this.plans) {
      const hit = shapes.filter((s) => this._inside(s.path, p));
      if (hit.length) return { deck: i, shape: hit[hit.length - 1].sort === "outline" ? null : hit[hit.length - 1] };
    }
    return null;
  },
  _inside(path, p) {
    this._ctx.save();
    this._ctx.setTransform(1, 0, 0, 1, 0, 0);
    const inside = this._ctx.isPointInPath(path, p.x, p.y, "evenodd");
    this._ctx.restore();
    return inside;
  },
});
