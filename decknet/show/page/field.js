"use strict";

// Draw what is hollow on a deck's plan. Stations and offsets in metres; corners on whole steps or on the edge.
function soundDeck(data) {
  const SVG = "http://www.w3.org/2000/svg";
  const KEY = "decknet field " + data.deck;
  const TAP = 9; // pixels a finger may wander in a tap
  const NEAR = 24; // pixels round the first corner that close an outline
  const TOTALS = { "delamination": "delaminated_m2", "spall": "spalled_m2", "hole": "hole_m2", "exposed bar": "exposed_bar_m2", "failed patch": "failed_patch_m2" };
  const at = id => document.getElementById(id);
  const plan = at("plan");
  const stations = data.edge.map(p => p[0]), offsets = data.edge.map(p => p[1]);
  const box = [Math.min(...stations), Math.min(...offsets), Math.max(...stations), Math.max(...offsets)];

  // ---- what is kept -------------------------------------------------------------------------
  function today() {
    const now = new Date();
    return new Date(now.getTime() - now.getTimezoneOffset() * 60000).toISOString().slice(0, 10);
  }
  function anew() {
    const stamp = new Date().toISOString().replace(/[-:]/g, "").slice(0, 15);
    return {
      id: data.deck + "|field " + stamp + "-" + Math.random().toString(36).slice(2, 6), next: 1, kind: data.kinds[0], depth: "",
      areas: [], corners: [], sheet: { date: today(), method: "sounding", crew: "", remarks: "", looked_at: "", from_station: "", to_station: "", from_offset: "", to_offset: "" },
    };
  }
  let state = anew(), past = [], storing = true;
  let view = null, drag = null, pointers = new Map(), armed = 0;

  function keep() {
    try {
      localStorage.setItem(KEY, JSON.stringify({ state, past: past.slice(-30) }));
      storing = true;
    } catch { storing = false; }
    const kept = at("kept");
    kept.className = storing ? "" : "warn";
    kept.textContent = storing ? "kept in this browser" : "this browser keeps nothing: save before you leave the page";
  }
  function reopen() {
    try {
      const held = JSON.parse(localStorage.getItem(KEY));
      if (held && held.state && Array.isArray(held.state.areas) && held.state.sheet) {
        state = Object.assign(anew(), held.state);
        state.sheet = Object.assign(anew().sheet, held.state.sheet);
        past = Array.isArray(held.past) ? held.past : [];
        return true;
      }
    } catch { storing = false; }
    return false;
  }
  function change(act) {
    past.push(JSON.stringify({ areas: state.areas, corners: state.corners, next: state.next }));
    past = past.slice(-200);
    act();
    keep();
    show();
  }
  function undo() {
    if (!past.length) return;
    Object.assign(state, JSON.parse(past.pop()));
    keep();
    show();
  }

  // ---- areas: overlaps once, exact for straight sides -----------------------------------------
  function sides(ring) { return ring.map((p, i) => [p, ring[(i + 1) % ring.length]]); }
  function crossing(a, b) {
    const [[x1, y1], [x2, y2]] = a, [[x3, y3], [x4, y4]] = b;
    const d = (x2 - x1) * (y4 - y3) - (y2 - y1) * (x4 - x3);
    if (Math.abs(d) < 1e-12) return null;
    const t = ((x3 - x1) * (y4 - y3) - (y3 - y1) * (x4 - x3)) / d, u = ((x3 - x1) * (y2 - y1) - (y3 - y1) * (x2 - x1)) / d;
    return t >= -1e-12 && t <= 1 + 1e-12 && u >= -1e-12 && u <= 1 + 1e-12 ? [x1 + t * (x2 - x1), y1 + t * (y2 - y1)] : null;
  }
  function spans(ring, x) {
    const ys = [];
    for (const [[x1, y1], [x2, y2]] of sides(ring)) if ((x1 < x) !== (x2 < x)) ys.push(y1 + (y2 - y1) * (x - x1) / (x2 - x1));
    ys.sort((a, b) => a - b);
    const out = [];
    for (let i = 0; i + 1 < ys.length; i += 2) out.push([ys[i], ys[i + 1]]);
    return out;
  }
  function merged(list) {
    const out = [];
    for (const [a, b] of list.sort((p, q) => p[0] - q[0])) {
      if (out.length && a <= out[out.length - 1][1]) out[out.length - 1][1] = Math.max(out[out.length - 1][1], b);
      else out.push([a, b]);
    }
    return out;
  }
  function both(one, two) {
    const out = [];
    for (const [a, b] of one) for (const [c, d] of two) if (Math.min(b, d) > Math.max(a, c)) out.push([Math.max(a, c), Math.min(b, d)]);
    return out;
  }
  // Area of the union of rings within every one of the limits: in strips between corners and crossings no sides cross.
  function area(rings, limits) {
    const all = [...rings, ...limits].flatMap(sides);
    const xs = all.map(s => s[0][0]);
    for (let i = 0; i < all.length; i++) for (let j = 0; j < i; j++) {
      const met = crossing(all[i], all[j]);
      if (met) xs.push(met[0]);
    }
    xs.sort((a, b) => a - b);
    let sum = 0;
    for (let i = 0; i + 1 < xs.length; i++) {
      const wide = xs[i + 1] - xs[i];
      if (wide < 1e-9) continue;
      const middle = (xs[i] + xs[i + 1]) / 2;
      let inside = merged(rings.flatMap(r => spans(r, middle)));
      for (const limit of limits) inside = both(inside, spans(limit, middle));
      sum += wide * inside.reduce((t, [a, b]) => t + b - a, 0);
    }
    return sum;
  }
  function crossesItself(ring) {
    const all = sides(ring);
    for (let i = 0; i < all.length; i++) for (let j = i + 2; j < all.length; j++) {
      if (i === 0 && j === all.length - 1) continue;
      if (crossing(all[i], all[j])) return true;
    }
    return false;
  }

  // ---- the part looked at ---------------------------------------------------------------------
  function number(text) {
    const bare = String(text).trim().replace("−", "-").replace(",", ".");
    return bare === "" ? null : /^[+-]?(\d+\.?\d*|\.\d+)$/.test(bare) ? Number(bare) : NaN;
  }
  function part() {
    const s = state.sheet, given = ["from_station", "from_offset", "to_station", "to_offset"].map(n => number(s[n]));
    const wrong = given.some(v => Number.isNaN(v));
    const [a, c, b, d] = given.map((v, i) => v === null || Number.isNaN(v) ? box[i] : v);
    const all = s.looked_at !== "part" || given.every(v => v === null);
    return { all, wrong: !all && (wrong || !(b > a && d > c)), given: all ? given.map(() => null) : given, ring: [[a, c], [b, c], [b, d], [a, d]] };
  }
  function figures() {
    const p = part(), limits = p.all || p.wrong ? [data.edge] : [data.edge, p.ring];
    const of = areas => area(areas.map(a => a.points), [data.edge]);
    const by = {};
    for (const kind of data.kinds) by[kind] = of(state.areas.filter(a => a.kind === kind));
    return { deck: area([data.edge], []), covered: area([limits[limits.length - 1]], [data.edge]), unsound: of(state.areas), by };
  }

  // ---- drawing ----------------------------------------------------------------------------------
  function make(name, attributes, parent, text) {
    const one = document.createElementNS(SVG, name);
    for (const [k, v] of Object.entries(attributes)) one.setAttribute(k, v);
    if (text !== undefined) one.textContent = text;
    if (parent) parent.appendChild(one);
    return one;
  }
  const MARKS = { "delamination": [45], "spall": [45, 135], "hole": "full", "exposed bar": [0], "failed patch": [90] };
  function patterns(svg, mark) {
    const defs = make("defs", {}, svg);
    for (const [i, kind] of data.kinds.entries()) {
      const turn = MARKS[kind];
      const p = make("pattern", { id: mark + i, width: 9, height: 9, patternUnits: "userSpaceOnUse", patternTransform: "rotate(" + (Array.isArray(turn) ? turn[0] : 0) + ")" }, defs);
      make("rect", { width: 9, height: 9, fill: turn === "full" ? "#000" : "#fff", "fill-opacity": turn === "full" ? 0.85 : 0.5 }, p);
      if (Array.isArray(turn)) {
        make("path", { d: "M0 4.5H9", stroke: "#000", "stroke-width": 1.4 }, p);
        if (turn.length > 1) make("path", { d: "M4.5 0V9", stroke: "#000", "stroke-width": 1.4 }, p);
      }
    }
  }
  const DOTS = { 1: 7, 2: 11, 3: 17 }; // distance of the dots of each band, pixels
  const TINT = { 1: 0.13, 2: 0.08, 3: 0.04 }; // under the dots, for bands too narrow to hold any
  function dotted(svg, mark) {
    const defs = make("defs", {}, svg);
    for (const [band, step] of Object.entries(DOTS)) {
      const p = make("pattern", { id: mark + band, width: step, height: 2 * step, patternUnits: "userSpaceOnUse" }, defs);
      make("rect", { width: step, height: 2 * step, fill: "#000", "fill-opacity": TINT[band] }, p);
      for (const [x, y] of [[step / 4, step / 2], [step * 3 / 4, step * 3 / 2]]) make("circle", { cx: x, cy: y, r: 1.5, fill: "#4a4a4a" }, p);
    }
  }
  let first = data.first.length > 0;
  const LEFT = 46, TOP = 26;
  const px = s => LEFT + (s - view.s) * view.k, py = o => TOP + (o - view.o) * view.k;
  const size = () => ({ w: Math.max(plan.clientWidth, 120), h: Math.max(plan.clientHeight, 120) });
  const ring = points => points.map((p, i) => (i ? "L" : "M") + px(p[0]).toFixed(1) + " " + py(p[1]).toFixed(1)).join("") + "Z";

  function fit(all) {
    const { w, h } = size();
    const high = (h - TOP - 22) / (box[3] - box[1]), wide = (w - LEFT - 16) / (box[2] - box[0]);
    const k = all ? Math.min(high, wide) : Math.max(Math.min(high, wide), Math.min(high, (w - LEFT - 16) / 12));
    view = { s: box[0], o: box[1], k };
    hold();
  }
  function hold() {
    const { w, h } = size();
    const wide = (w - LEFT - 16) / view.k, high = (h - TOP - 22) / view.k;
    view.s = wide >= box[2] - box[0] ? box[0] - (wide - (box[2] - box[0])) / 2 : Math.min(Math.max(view.s, box[0] - 0.3), box[2] + 0.3 - wide);
    view.o = high >= box[3] - box[1] ? box[1] - (high - (box[3] - box[1])) / 2 : Math.min(Math.max(view.o, box[1] - 0.3), box[3] + 0.3 - high);
  }
  function zoom(factor, x, y) {
    const { w, h } = size();
    x = x === undefined ? w / 2 : x;
    y = y === undefined ? h / 2 : y;
    const s = view.s + (x - LEFT) / view.k, o = view.o + (y - TOP) / view.k;
    const least = Math.min((w - LEFT - 16) / (box[2] - box[0]), (h - TOP - 22) / (box[3] - box[1]));
    view.k = Math.min(Math.max(view.k * factor, least), 500);
    view.s = s - (x - LEFT) / view.k;
    view.o = o - (y - TOP) / view.k;
    hold();
    draw();
  }
  function move(ds, dout) { view.s += ds; view.o += dout; hold(); draw(); }

  function draw() {
    const { w, h } = size();
    plan.replaceChildren();
    plan.setAttribute("viewBox", "0 0 " + w + " " + h);
    patterns(plan, "m");
    const deck = make("g", {}, plan);
    make("path", { d: ring(data.edge), fill: "#fff", stroke: "none" }, deck);
    const p = part();
    if (first) {
      dotted(plan, "d");
      for (const [band, rings] of data.first) make("path", { class: "first", d: rings.map(ring).join(""), fill: "url(#d" + band + ")", "fill-rule": "evenodd", "data-band": band }, deck);
    }
    for (const [kind, rings] of data.before) for (const r of rings) make("path", { class: "before", d: ring(r), fill: "#d9d9d9", stroke: "#8a8a8a", "stroke-width": 1.5, "stroke-dasharray": "5 4", "data-kind": kind }, deck);
    const from = Math.max(Math.ceil(view.s - 1), Math.floor(box[0])), to = Math.min(view.s + (w - LEFT) / view.k, box[2]);
    const every = view.k >= 34 ? 1 : view.k >= 9 ? 5 : view.k >= 4 ? 10 : 50;
    for (let s = from; s <= to; s++) {
      if (view.k < 9 && s % every) continue;
      make("path", { d: "M" + px(s) + " " + py(box[1]) + "V" + py(box[3]), stroke: s % 5 ? "#d4d4d4" : "#9a9a9a", "stroke-width": 1 }, deck);
    }
    for (let o = Math.ceil(box[1]); o <= box[3]; o++) if (view.k >= 14) make("path", { d: "M" + px(box[0]) + " " + py(o) + "H" + px(box[2]), stroke: "#d4d4d4", "stroke-width": 1 }, deck);
    for (let i = 1; i < data.lanes; i++) {
      const o = box[1] + (box[3] - box[1]) * i / data.lanes;
      if (Math.abs(o) < 0.05) continue; // the centreline is drawn
      make("path", { d: "M" + px(box[0]) + " " + py(o) + "H" + px(box[2]), stroke: "#6a6a6a", "stroke-width": 2, "stroke-dasharray": "14 10" }, deck);
    }
    make("path", { d: "M" + px(box[0]) + " " + py(0) + "H" + px(box[2]), stroke: "#000", "stroke-width": 1.5, "stroke-dasharray": "22 5 4 5" }, deck);
    for (const j of data.joints) if (j > box[0] && j < box[2]) for (const d of [-3, 3]) make("path", { d: "M" + (px(j) + d) + " " + py(box[1]) + "V" + py(box[3]), stroke: "#000", "stroke-width": 2 }, deck);
    if (!p.all && !p.wrong) make("path", { d: ring(p.ring), fill: "none", stroke: "#000", "stroke-width": 3, "stroke-dasharray": "2 6" }, deck);
    make("path", { d: ring(data.edge), fill: "none", stroke: "#000", "stroke-width": 3 }, deck);
    for (const a of state.areas) {
      make("path", { class: "area", d: ring(a.points), fill: "url(#m" + data.kinds.indexOf(a.kind) + ")", stroke: "#000", "stroke-width": 3 }, deck);
      const xs = a.points.map(q => q[0]), ys = a.points.map(q => q[1]);
      const x = px((Math.min(...xs) + Math.max(...xs)) / 2), y = py((Math.min(...ys) + Math.max(...ys)) / 2);
      make("circle", { cx: x, cy: y, r: 13, fill: "#fff", stroke: "#000", "stroke-width": 2 }, deck);
      make("text", { x, y: y + 6, "text-anchor": "middle", "font-size": 17, "font-weight": 700 }, deck, a.id);
    }
    if (state.corners.length) {
      const points = state.corners.map(q => px(q[0]).toFixed(1) + "," + py(q[1]).toFixed(1)).join(" ");
      make("polyline", { points, fill: "none", stroke: "#000", "stroke-width": 4 }, deck);
      for (const [i, q] of state.corners.entries()) make("circle", { cx: px(q[0]), cy: py(q[1]), r: i ? 5 : 12, fill: i ? "#000" : "#fff", stroke: "#000", "stroke-width": 3 }, deck);
    }
    if (drag && drag.to) make("path", { d: ring(corners(drag.from, drag.to)), fill: "url(#m" + data.kinds.indexOf(state.kind) + ")", stroke: "#000", "stroke-width": 3, "stroke-dasharray": "8 5" }, deck);
    // Rulers stay in place over the deck.
    make("rect", { x: 0, y: 0, width: w, height: TOP - 2, fill: "#fff" }, plan);
    make("rect", { x: 0, y: 0, width: LEFT - 4, height: h, fill: "#fff" }, plan);
    for (let s = from; s <= to; s++) if (s % every === 0 && px(s) > LEFT - 4) make("text", { x: px(s), y: 18, "text-anchor": "middle", "font-size": 15, "font-weight": s % 5 ? 400 : 700 }, plan, s);
    for (let o = Math.ceil(box[1]); o <= box[3]; o++) {
      if (py(o) < TOP + 6 || py(o) > h - 4 || (view.k < 20 && o % 2)) continue;
      make("text", { x: LEFT - 8, y: py(o) + 5, "text-anchor": "end", "font-size": 15, "font-weight": o ? 400 : 700 }, plan, o ? (o < 0 ? "L " : "R ") + Math.abs(o) : "CL");
    }
  }

  // ---- pointing -----------------------------------------------------------------------------------
  function snapped(value, low, high) {
    const held = Math.min(Math.max(value, low), high);
    let best = Math.round(held / data.step) * data.step;
    if (Math.abs(held - low) < data.step / 2) best = low;
    if (Math.abs(held - high) < data.step / 2) best = high;
    return Number(Math.min(Math.max(best, low), high).toFixed(3));
  }
  function spot(event) {
    const r = plan.getBoundingClientRect();
    return { x: event.clientX - r.left - plan.clientLeft, y: event.clientY - r.top - plan.clientTop };
  }
  function point(xy) { return [snapped(view.s + (xy.x - LEFT) / view.k, box[0], box[2]), snapped(view.o + (xy.y - TOP) / view.k, box[1], box[3])]; }
  function corners(a, b) {
    const s = [Math.min(a[0], b[0]), Math.max(a[0], b[0])], o = [Math.min(a[1], b[1]), Math.max(a[1], b[1])];
    return [[s[0], o[0]], [s[1], o[0]], [s[1], o[1]], [s[0], o[1]]];
  }
  function where(p) { return "Station " + digits.setOut(p[0]) + ", " + (Math.abs(p[1]) < 5e-4 ? "CL" : (p[1] < 0 ? "L " : "R ") + digits.setOut(Math.abs(p[1]))); }
  function tell(text, warn) { at("told").textContent = text; at("told").className = warn ? "warn" : ""; }
  function add(points) {
    change(() => {
      state.areas.push({ id: state.next, kind: state.kind, depth: state.depth, points });
      state.next += 1;
      state.corners = [];
    });
    tell("Area " + (state.next - 1) + ": " + state.kind + ", " + squares(area([points], [data.edge])));
  }
  function close() {
    const points = state.corners;
    if (points.length < 3) return tell("An outline needs three corners.", true);
    if (crossesItself(points)) return tell("The outline crosses itself: undo the last corner.", true);
    if (area([points], []) < data.step * data.step / 2) return tell("The outline encloses nothing: undo the last corner.", true);
    add(points.slice());
  }
  function tapped(xy) {
    if (state.corners.length >= 3) {
      const first = state.corners[0];
      if (Math.hypot(px(first[0]) - xy.x, py(first[1]) - xy.y) <= NEAR) return close();
    }
    const p = point(xy), last = state.corners[state.corners.length - 1];
    if (last && last[0] === p[0] && last[1] === p[1]) return;
    change(() => state.corners.push(p));
    tell(where(p) + ". " + (state.corners.length < 3 ? "Tap the next corner." : "Tap the next corner, or the first again to close."));
  }

  plan.addEventListener("pointerdown", event => {
    if (event.button) return;
    event.preventDefault();
    plan.setPointerCapture(event.pointerId);
    const xy = spot(event);
    pointers.set(event.pointerId, xy);
    if (pointers.size === 1) drag = { start: xy, from: point(xy), to: null };
    else drag = null; // two fingers move the plan
  });
  plan.addEventListener("pointermove", event => {
    const xy = spot(event), before = pointers.get(event.pointerId);
    if (!before) { if (event.pointerType === "mouse" && !state.corners.length) tell(where(point(xy))); return; }
    if (pointers.size === 2) {
      const other = [...pointers.entries()].find(([id]) => id !== event.pointerId)[1];
      const then = Math.hypot(before.x - other.x, before.y - other.y), now = Math.hypot(xy.x - other.x, xy.y - other.y);
      view.s -= (xy.x - before.x) / 2 / view.k;
      view.o -= (xy.y - before.y) / 2 / view.k;
      pointers.set(event.pointerId, xy);
      return zoom(then > 20 ? now / then : 1, (xy.x + other.x) / 2, (xy.y + other.y) / 2);
    }
    pointers.set(event.pointerId, xy);
    if (!drag || state.corners.length) return;
    if (drag.to || Math.hypot(xy.x - drag.start.x, xy.y - drag.start.y) > TAP) {
      drag.to = point(xy);
      const [a, , b] = corners(drag.from, drag.to);
      tell(where(a) + " to " + where(b).replace("Station ", "") + ": " + digits.setOut(b[0] - a[0]) + " × " + digits.setOut(b[1] - a[1]) + " m");
      draw();
    }
  });
  function lifted(event) {
    const mine = drag;
    const was = pointers.size;
    pointers.delete(event.pointerId);
    drag = null;
    if (event.type !== "pointerup" || !mine || was !== 1) return draw();
    if (!mine.to) return tapped(mine.start);
    const [a, , b] = corners(mine.from, mine.to);
    if (b[0] - a[0] > 1e-9 && b[1] - a[1] > 1e-9) add(corners(mine.from, mine.to));
    else { tell("Too thin to be an area: drag along and across.", true); draw(); }
  }
  plan.addEventListener("pointerup", lifted);
  plan.addEventListener("pointercancel", lifted);
  plan.addEventListener("wheel", event => {
    event.preventDefault();
    const xy = spot(event);
    if (event.ctrlKey) zoom(Math.exp(-event.deltaY / 200), xy.x, xy.y);
    else move((event.deltaX + (event.shiftKey ? event.deltaY : 0)) / view.k, (event.shiftKey ? 0 : event.deltaY) / view.k);
  }, { passive: false });

  // ---- lists and figures -----------------------------------------------------------------------------
  function swatch(kind, mark) {
    const svg = make("svg", { width: 34, height: 24, "aria-hidden": "true" });
    patterns(svg, mark);
    make("rect", { width: 34, height: 24, fill: "url(#" + mark + data.kinds.indexOf(kind) + ")" }, svg);
    return svg;
  }
  function html(name, properties, ...inside) {
    const one = Object.assign(document.createElement(name), properties);
    one.append(...inside);
    return one;
  }
  function depthField(value, label, put) {
    const one = html("input", { type: "text", inputMode: "numeric", maxLength: 4, value, placeholder: "–" });
    one.setAttribute("aria-label", label);
    one.addEventListener("change", () => put(one));
    return one;
  }
  function goodDepth(text) { const v = number(text); return v === null || (v > 0 && v <= 3000); }
  function list() {
    at("areas").replaceChildren(...state.areas.map(a => {
      const choose = html("select", {}, ...data.kinds.map(k => html("option", { value: k, selected: k === a.kind }, k)));
      choose.setAttribute("aria-label", "Kind of area " + a.id);
      choose.addEventListener("change", () => change(() => { a.kind = choose.value; }));
      const deep = depthField(a.depth, "Depth of area " + a.id + ", mm", one => change(() => { a.depth = one.value.trim(); }));
      deep.classList.toggle("wrong", !goodDepth(a.depth));
      const out = html("button", { type: "button" }, "remove");
      out.setAttribute("aria-label", "Remove area " + a.id);
      out.addEventListener("click", () => change(() => { state.areas = state.areas.filter(b => b.id !== a.id); }));
      return html("li", {}, html("b", {}, swatch(a.kind, "a" + a.id + "-"), "Area " + a.id), html("span", {}, squares(area([a.points], [data.edge]))), out,
        html("div", { className: "row" }, choose, deep, "mm"));
    }));
  }
  function sum() {
    const f = figures(), p = part();
    at("sum").replaceChildren(html("b", {}, percent(f.unsound / f.covered)),
      squares(f.unsound) + " of " + squares(f.covered) + " looked at",
      html("span", {}, state.areas.length + (state.areas.length === 1 ? " area" : " areas") + "; what overlaps counts once" + (p.wrong ? ". The part looked at cannot be read: the whole deck is taken" : "")));
  }
  function show() {
    at("undo").disabled = !past.length;
    at("close").disabled = state.corners.length < 3;
    for (const b of at("kinds").children) b.setAttribute("aria-pressed", String(b.dataset.kind === state.kind));
    list();
    sum();
    draw();
  }

  // ---- the file ------------------------------------------------------------------------------------------
  const plain = text => String(text).replace(/[\u0000-\u001f\u007f\ufffe\uffff]/g, " ").replace(/[\ud800-\udbff](?![\udc00-\udfff])|(?<![\ud800-\udbff])[\udc00-\udfff]/g, "\ufffd");
  const xml = text => plain(text).replace(/[&<>"]/g, c => "&#" + c.charCodeAt(0) + ";");
  const wkt = points => "POLYGON ((" + [...points, points[0]].map(p => p[0] + " " + p[1]).join(", ") + "))";
  function tables() {
    const f = figures(), p = part(), s = state.sheet, four = v => Number(v.toFixed(4));
    const [a, c, b, d] = p.given;
    const survey = [["survey_id", state.id], ["deck_id", data.deck], ["survey_date", s.date], ["method", s.method],
      ["looked_at", s.looked_at === "whole deck" ? s.looked_at : null], ["from_station_m", a], ["to_station_m", b], ["from_offset_m", c], ["to_offset_m", d],
      ...data.kinds.map(k => [TOTALS[k], four(f.by[k])]), ["unsound_m2", four(f.unsound)], ["crew", s.crew.trim()], ["remarks", s.remarks.trim()]];
    const defects = state.areas.map(r => [state.id, String(r.id), r.kind, number(r.depth), wkt(r.points)]);
    const out = { surveys: [survey.map(q => q[0]), survey.map(q => q[1])] };
    if (defects.length) out.defects = [["survey_id", "defect_id", "kind", "depth_mm", "shape"], ...defects];
    return out;
  }
  function crc(bytes) {
    let c = -1;
    for (const b of bytes) {
      c ^= b;
      for (let k = 0; k < 8; k++) c = (c >>> 1) ^ (c & 1 ? 0xedb88320 : 0);
    }
    return (c ^ -1) >>> 0;
  }
  // A zip archive without compression.
  function zipped(files) {
    const whole = [], middle = [];
    let place = 0;
    const bytes = (...numbers) => Uint8Array.from(numbers.flatMap(([v, n]) => Array.from({ length: n }, (_, i) => (v / 2 ** (8 * i)) & 255)));
    for (const [name, text] of files) {
      const named = new TextEncoder().encode(name), body = new TextEncoder().encode(text);
      const common = [[20, 2], [0x800, 2], [0, 2], [0, 2], [33, 2], [crc(body), 4], [body.length, 4], [body.length, 4], [named.length, 2], [0, 2]];
      whole.push(bytes([0x04034b50, 4], ...common), named, body);
      middle.push(bytes([0x02014b50, 4], [20, 2], ...common, [0, 2], [0, 2], [0, 2], [0, 4], [place, 4]), named);
      place += 30 + named.length + body.length;
    }
    const long = middle.reduce((t, m) => t + m.length, 0);
    const end = bytes([0x06054b50, 4], [0, 2], [0, 2], [files.length, 2], [files.length, 2], [long, 4], [place, 4], [0, 2]);
    const all = [...whole, ...middle, end], out = new Uint8Array(place + long + end.length);
    let at_ = 0;
    for (const one of all) { out.set(one, at_); at_ += one.length; }
    return out;
  }
  function letter(i) { return String.fromCharCode(65 + i); }
  function workbook() {
    const head = '<?xml version="1.0" encoding="UTF-8" standalone="yes"?>\n', main = "http://schemas.openxmlformats.org/spreadsheetml/2006/main";
    const kind = "application/vnd.openxmlformats-officedocument.spreadsheetml.", links = "http://schemas.openxmlformats.org/officeDocument/2006/relationships";
    const pages = Object.entries(tables());
    const cell = (v, at_) => v === null || v === "" ? "" : typeof v === "number" ? '<c r="' + at_ + '"><v>' + v + "</v></c>"
      : '<c r="' + at_ + '" t="inlineStr"><is><t xml:space="preserve">' + xml(v) + "</t></is></c>";
    const files = [
      ["[Content_Types].xml", head + '<Types xmlns="http://schemas.openxmlformats.org/package/2006/content-types"><Default Extension="rels" ContentType="application/vnd.openxmlformats-package.relationships+xml"/><Override PartName="/xl/workbook.xml" ContentType="' + kind + 'sheet.main+xml"/>'
        + pages.map((_, i) => '<Override PartName="/xl/worksheets/sheet' + (i + 1) + '.xml" ContentType="' + kind + 'worksheet+xml"/>').join("") + "</Types>"],
      ["_rels/.rels", head + '<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships"><Relationship Id="r1" Type="' + links + '/officeDocument" Target="xl/workbook.xml"/></Relationships>'],
      ["xl/workbook.xml", head + '<workbook xmlns="' + main + '" xmlns:r="' + links + '"><sheets>' + pages.map(([n], i) => '<sheet name="' + n + '" sheetId="' + (i + 1) + '" r:id="r' + (i + 1) + '"/>').join("") + "</sheets></workbook>"],
      ["xl/_rels/workbook.xml.rels", head + '<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships">' + pages.map((_, i) => '<Relationship Id="r' + (i + 1) + '" Type="' + links + '/worksheet" Target="worksheets/sheet' + (i + 1) + '.xml"/>').join("") + "</Relationships>"],
      ...pages.map(([, rows], i) => ["xl/worksheets/sheet" + (i + 1) + ".xml", head + '<worksheet xmlns="' + main + '"><sheetData>'
        + rows.map((r, j) => '<row r="' + (j + 1) + '">' + r.map((v, c) => cell(v, letter(c) + (j + 1))).join("") + "</row>").join("") + "</sheetData></worksheet>"]),
    ];
    return zipped(files);
  }
  function fault() {
    if (state.corners.length) return "An outline is still open: close it or undo it.";
    if (!/^\d{4}-\d{2}-\d{2}$/.test(state.sheet.date)) return "Give the day of the survey.";
    if (state.sheet.date > today()) return "The day lies ahead: correct it.";
    if (!state.sheet.looked_at) return "Say what was looked at: the whole deck, or which part of it.";
    if (state.sheet.looked_at === "part" && part().all) return "Give the stations or the offsets of the part looked at.";
    if (part().wrong) return "The part looked at cannot be read: from must be below to, in metres.";
    const bad = state.areas.find(a => !goodDepth(a.depth));
    return bad ? "Area " + bad.id + ": the depth must be a number of mm up to 3000, or empty." : "";
  }
  function save() {
    const wrong = fault(), said = at("saved");
    said.className = wrong ? "warn" : "";
    if (wrong) { said.textContent = wrong; return; }
    const name = ("survey_" + data.deck + "_" + state.sheet.date).replace(/[^A-Za-z0-9_-]+/g, "-") + ".xlsx";
    const link = document.createElement("a");
    link.href = URL.createObjectURL(new Blob([workbook()], { type: "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet" }));
    link.download = name;
    document.body.append(link);
    link.click();
    link.remove();
    setTimeout(() => URL.revokeObjectURL(link.href), 60000);
    said.textContent = (state.areas.length ? "" : "No area is drawn: saved as sounded and nothing found. ") + "Saved as " + name + ". In the office: decknet load STORE " + name + ". If an earlier file of this survey was loaded, take that one back first.";
  }

  // ---- start -----------------------------------------------------------------------------------------------
  for (const [i, kind] of data.kinds.entries()) {
    const b = html("button", { type: "button" }, swatch(kind, "k" + i + "-"), kind);
    b.dataset.kind = kind;
    b.addEventListener("click", () => { state.kind = kind; keep(); show(); });
    at("kinds").append(b);
  }
  if (data.first.length) {
    at("first").addEventListener("click", () => { first = !first; at("first").setAttribute("aria-pressed", String(first)); draw(); });
    for (const li of at("bands").querySelectorAll("li")) {
      const svg = make("svg", { width: 68, height: 36, "aria-hidden": "true" });
      dotted(svg, "b" + li.dataset.band + "-");
      make("rect", { width: 68, height: 36, fill: "url(#b" + li.dataset.band + "-" + li.dataset.band + ")" }, svg);
      li.prepend(svg);
    }
  }
  for (const m of data.methods) at("method").append(html("option", { value: m }, m));
  const again = reopen();
  const fill = () => {
    for (const n of Object.keys(state.sheet)) at(n).value = state.sheet[n];
    at("looked_at").classList.toggle("wrong", !state.sheet.looked_at);
    at("depth").value = state.depth;
  };
  for (const n of Object.keys(state.sheet)) at(n).addEventListener("input", () => {
    state.sheet[n] = at(n).value;
    if (/^(from|to)_/.test(n) && at(n).value.trim()) state.sheet.looked_at = at("looked_at").value = "part";
    at("looked_at").classList.toggle("wrong", !state.sheet.looked_at);
    keep(); sum(); draw();
  });
  at("depth").addEventListener("input", () => { state.depth = at("depth").value.trim(); at("depth").classList.toggle("wrong", !goodDepth(state.depth)); keep(); });
  const page = () => (size().w - LEFT) * 0.7 / view.k;
  const presses = { back: () => move(-page(), 0), ahead: () => move(page(), 0), nearer: () => zoom(1.5), farther: () => zoom(1 / 1.5), all: () => { fit(true); draw(); }, close, undo, save };
  for (const [id, act] of Object.entries(presses)) at(id).addEventListener("click", act);
  at("clear").addEventListener("click", () => {
    const now = Date.now();
    if (now - armed > 5000) { armed = now; at("clear").textContent = "Press again to clear all that is drawn"; setTimeout(() => { at("clear").textContent = "Start anew"; }, 5000); return; }
    armed = 0;
    at("clear").textContent = "Start anew";
    state = anew();
    past = [];
    fill();
    keep();
    show();
    tell("");
    at("saved").textContent = "";
  });
  window.addEventListener("keydown", event => {
    if ((event.ctrlKey || event.metaKey) && event.key.toLowerCase() === "z" && !/INPUT|SELECT/.test(document.activeElement.tagName)) { event.preventDefault(); undo(); }
  });
  window.addEventListener("resize", () => { hold(); draw(); });
  fill();
  fit(false);
  keep();
  show();
  if (again && state.areas.length) tell("Drawn before and kept: " + state.areas.length + (state.areas.length === 1 ? " area." : " areas."));
  return {
    areas: () => state.areas.map(a => ({ id: a.id, kind: a.kind, depth: a.depth, points: a.points })),
    figures, undo,
    screen: (s, o) => { const r = plan.getBoundingClientRect(); return [r.left + plan.clientLeft + px(s), r.top + plan.clientTop + py(o)]; },
    file: () => btoa(Array.from(workbook(), b => String.fromCharCode(b)).join("")),
  };
}
