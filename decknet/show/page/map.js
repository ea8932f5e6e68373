"use strict";

// Draws the network from the page's own data. Text from the records reaches the page as text only.
function drawNetwork(map, data) {
  const INK = "#1d2733", PAPER = "#fbfbf9", GREY = "#8b949c", SPACE = "\u202f";
  const FROM = {
    survey: "from its own surveys",
    rating: "no survey: estimated from the deck rating",
    network: "no survey: estimated from like decks",
    assumption: "no survey and no rating: assumed",
  };
  const GROWTH_FROM = { "own surveys": "from its own surveys", network: "from like decks", assumption: "assumed" };
  const AADT_FROM = { count: "counted", "old count": "an old count", route: "filled in from its route",
    class: "filled in from like routes", assumption: "assumed", network: "filled in from the network" };

  // ---- words and numbers

  function node(tag, name, ...parts) {
    const made = document.createElement(tag);
    if (name) made.className = name;
    for (const part of parts) made.append(part);  // a string becomes a text node
    return made;
  }
  const there = (v) => v !== null && v !== undefined;
  function number(v, digits = 0) {
    const [whole, part] = Math.abs(v).toFixed(digits).split(".");
    const grouped = whole.length > 4 ? whole.replace(/\B(?=(\d{3})+$)/g, SPACE) : whole;
    const sign = v < 0 && Number(v.toFixed(digits)) !== 0 ? "\u2212" : "";
    return sign + grouped + (part ? "." + part : "");
  }
  const percent = (share, digits = 1) => number(100 * share, digits) + SPACE + "%";
  const known = (words, key) => (Object.hasOwn(words, key) ? words[key] : key);
  const capital = (text) => text.charAt(0).toUpperCase() + text.slice(1);

  const decks = data.decks.map((row, index) => {
    const deck = { index, lines: [], rings: null, defects: [] };
    data.fields.forEach((field, k) => { deck[field] = row[k]; });
    deck.drawn = there(deck.x) && there(deck.y);
    return deck;
  });
  for (const row of data.lines) {
    const line = Object.fromEntries(data.lineFields.map((field, k) => [field, row[k]]));
    if (line.deck >= 0) decks[line.deck].lines.push(line);
  }
  for (const deck of decks) deck.lines.sort((a, b) => a.year - b.year);
  const drawn = decks.filter((d) => d.drawn);

  function unpack(steps, step, x0, y0) {
    const points = [];
    let x = 0, y = 0;
    for (let k = 0; k < steps.length; k += 2) {
      x += steps[k];
      y += steps[k + 1];
      points.push([y0 + y * step, x0 + x * step]);
    }
    return points;
  }
  const onDeck = (deck, rings) => rings.map((ring) => unpack(ring, data.step, deck.x, deck.y));
  for (const [at, rings] of data.outlines) decks[at].rings = onDeck(decks[at], rings);
  for (const [at, kind, day, rings] of data.defects) decks[at].defects.push({ kind, day, rings: onDeck(decks[at], rings) });

  // ---- a deck's figures

  function figures(deck) {
    const box = node("div", "sheet");
    if (there(deck.urgent)) box.append(node("p", "first", node("b", "", "Act now: "), deck.urgent));
    box.append(node("h3", "", there(deck.name) ? deck.name : deck.deck_id));
    const where = ["Deck " + deck.deck_id];
    if (there(deck.bridge_id) && deck.bridge_id !== deck.deck_id) where.push("bridge " + deck.bridge_id);
    if (there(deck.route)) where.push("route " + deck.route);
    if (there(deck.place)) where.push(deck.place);
    box.append(node("p", "where", where.join(" · ")));
    if (!deck.drawn) box.append(node("p", "where", "Position not known: not drawn on the map."));
    const list = node("dl");
    const row = (term, main, ...notes) => list.append(node("dt", "", term),
      node("dd", "", node("b", "", main), ...notes.filter((n) => n).map((n) => node("span", "", n))));
    const span = (low, high, digits) => there(low) && there(high) &&
      `80 % range ${number(100 * low, digits)} to ${number(100 * high, digits)}`;

    if (there(deck.priority)) {
      const points = [["share", deck.points_share], ["growth", deck.points_growth], ["traffic", deck.points_traffic],
        ["other", deck.points_other || null]]
        .filter(([, v]) => there(v)).map(([word, v]) => `${word} ${number(v, 1)}`).join(" + ");
      row("Priority", `${number(deck.priority, 1)} of 100` + (there(deck.rank) ? `, rank ${number(deck.rank)}` : ""),
        there(deck.rank_low) && `80 % range of rank ${number(deck.rank_low)} to ${number(deck.rank_high)}`,
        points && "points: " + points, deck.reason);
    } else if (there(deck.reason)) row("Priority", "not ranked", deck.reason);
    row("Unsound", there(deck.share_now) ? percent(deck.share_now) + " expected today" : "not known",
      span(deck.share_low, deck.share_high, 1), there(deck.share_from) && known(FROM, deck.share_from));
    if (there(deck.survey_date)) {
      const found = [];
      if (there(deck.unsound_share)) found.push(percent(deck.unsound_share) + " unsound");
      if (there(deck.delaminated_share)) found.push(percent(deck.delaminated_share) + " delaminated");
      const part = there(deck.covered_share) && (deck.covered_share < 0.995
        ? `Part survey: covered ${percent(deck.covered_share, 0)} of the deck` : "covered the whole deck");
      row("Last survey", deck.survey_date + (there(deck.method) ? `, ${deck.method}` : ""), found.join(", "), part);
    } else row("Last survey", "none on record", there(deck.deck_rating) && `deck rating ${deck.deck_rating}, 9 to 0`);
    if (there(deck.growth_per_yr)) {
      row("Growth", `${number(100 * deck.growth_per_yr, 2)} points a year`, span(deck.growth_low, deck.growth_high, 2),
        there(deck.growth_from) && known(GROWTH_FROM, deck.growth_from));
    }
    if (there(deck.aadt)) {
      row("Traffic", `${number(deck.aadt)} vehicles a day`,
        [there(deck.aadt_year) ? (there(deck.aadt_count) && deck.aadt_count !== deck.aadt
          ? `AADT, from ${number(deck.aadt_count)} in ${deck.aadt_year}` : `AADT of ${deck.aadt_year}`)
          : "AADT, year not given",
          there(deck.aadt_from) && known(AADT_FROM, deck.aadt_from),
          there(deck.truck_share) && percent(deck.truck_share, 0) + " trucks"].filter((n) => n).join(", "));
    } else row("Traffic", "not known");
    row("Deck area", there(deck.area_m2) ? `${number(deck.area_m2)} m²` : "not known",
      [there(deck.length_m) && there(deck.width_m) && `${number(deck.length_m, 1)} × ${number(deck.width_m, 1)} m`,
        there(deck.built_year) && `built ${deck.built_year}`].filter((n) => n).join(", "));
    for (const line of deck.lines) {
      row("Programme", `${line.year}` + (there(line.label) ? `: ${line.label}` : ""),
        [there(line.cost) && `${number(line.cost)} ${data.currency}`,
          there(line.repair_m2) && `${number(line.repair_m2, 1)} m² to repair`,
          there(line.crew_days) && `${number(line.crew_days, 1)} crew days`].filter((n) => n).join(", "),
        there(line.share_before) && there(line.share_after) &&
          `unsound ${percent(line.share_before)} before, ${percent(line.share_after)} after`, line.why);
    }
    if (!deck.lines.length) row("Programme", data.programme ? "not in this programme" : "no programme given");
    box.append(list);
    return box;
  }

  // ---- the base map

  map.createPane("ground").style.zIndex = 150;
  map.createPane("country").style.zIndex = 350;
  map.createPane("names").style.zIndex = 380;
  for (const pane of ["ground", "country", "names"]) map.getPane(pane).style.pointerEvents = "none";
  const ground = L.canvas({ pane: "ground", padding: 0.5 }), country = L.canvas({ pane: "country", padding: 0.5 });
  const STROKES = {
    shoreline: [{ color: "#9aabb6", weight: 1.2 }],
    river: [{ color: "#b3c4d0", weight: 2 }],
    boundary: [{ color: "#a9a39a", weight: 1.2, dashArray: "7 4 2 4" }],
    route: [{ color: "#c3bdb2", weight: 4 }, { color: "#fdfcf8", weight: 2.2 }],
  };
  const ORDER = ["shoreline", "river", "boundary", "route"];
  const names = [];
  let hasSea = false;
  const features = data.base.map(([kind, name, sort, parts]) =>
    ({ kind, name, sort, parts: parts.map((p) => unpack(p, data.baseStep, 0, 0)) }));
  const run = (part) => part.reduce((sum, p, i) => sum + (i ? Math.hypot(p[0] - part[i - 1][0], p[1] - part[i - 1][1]) : 0), 0);
  for (const f of features) f.run = f.parts.reduce((sum, part) => sum + run(part), 0);
  const longest = Math.max(...features.filter((f) => f.kind === "river").map((f) => f.run), 1e-9);
  for (const kind of ORDER) {
    const chosen = features.filter((f) => f.kind === kind && f.sort !== "point");
    for (const f of chosen) {
      if (kind !== "shoreline" || f.sort !== "area") continue;
      hasSea = hasSea || data.land;
      L.polygon(f.parts, { renderer: ground, stroke: false, fillColor: data.land ? "#f4f3ee" : "#e4eaee", fillOpacity: 1, interactive: false }).addTo(map);
    }
    for (const stroke of STROKES[kind]) {
      for (const f of chosen) {
        const style = { renderer: country, interactive: false, ...stroke };
        if (kind === "river") style.weight = 0.7 + 1.6 * Math.sqrt(f.run / longest);
        if (f.sort === "line") L.polyline(f.parts, style).addTo(map);
        else L.polygon(f.parts, { ...style, fill: kind === "river", fillColor: stroke.color, fillOpacity: 0.6 }).addTo(map);
      }
    }
  }
  if (hasSea) map.getContainer().classList.add("sea");
  for (const kind of ["town", "route", "river"]) {
    for (const { name, sort, parts } of features.filter((f) => f.kind === kind && there(f.name)).sort((a, b) => b.run - a.run)) {
      const text = node("span", "", name);
      const mark = L.marker(parts[0][0], { icon: L.divIcon({ className: "name " + kind, iconSize: [0, 0], html: text }), interactive: false, keyboard: false, pane: "names" });
      names.push({ kind, text, mark: mark.addTo(map), point: sort === "point" ? parts[0][0] : null, parts });
    }
  }
  function places(name, wide, view) {  // where a name may stand: beside its point, or along the part of its line in view
    if (name.point) {
      const at = map.latLngToContainerPoint(name.point), side = wide / 2 + 8;
      return [[side, 0], [-side, 0], [side, -10], [-side, -10], [side, 10], [-side, 10], [0, -15], [0, 15], [0, -26], [0, 26]]
        .map((shift) => ({ at, shift }));
    }
    const spots = [];
    for (const part of name.parts) {
      const line = part.map((p) => map.latLngToContainerPoint(p));
      for (let k = 1; k < line.length; k++) {
        const seen = L.LineUtil.clipSegment(line[k - 1], line[k], view, false, false);
        if (!seen) continue;
        const steps = Math.max(1, Math.round(seen[0].distanceTo(seen[1]) / 30));
        for (let i = 0; i < steps; i++) spots.push(seen[0].add(seen[1].subtract(seen[0]).multiplyBy((i + 0.5) / steps)));
      }
    }
    const middle = (spots.length - 1) / 2;
    return spots.map((at, k) => [Math.abs(k - middle), at]).sort((a, b) => a[0] - b[0]).slice(0, 80)
      .flatMap(([, at]) => [[0, 0], [0, -13], [0, 13]].map((shift) => ({ at, shift })));
  }
  function placeNames() {  // no name lies on another; a name on a line keeps clear of decks or waits for room
    const size = map.getSize(), view = L.bounds([0, 0], size), taken = [];
    let rivers = Math.max(5, Math.round(size.x * size.y / 45000));  // the longest in view are named, so that decks stand out
    const dots = drawn.map((d) => map.latLngToContainerPoint([d.y, d.x])).filter((p) => view.contains(p));
    for (const name of names) {
      const wide = name.text.offsetWidth, high = name.text.offsetHeight;
      let best = null, least = name.point ? Infinity : 1;
      if (name.kind === "river" && !rivers) { name.text.parentNode.classList.add("covered"); continue; }
      for (const { at, shift } of places(name, wide, view)) {
        const centre = at.add(shift), half = [wide / 2 + 2, high / 2];
        const box = L.bounds(centre.subtract(half), centre.add(half));
        if (!view.contains(box) || taken.some((b) => b.overlaps(box))) continue;
        const near = L.bounds(box.min.subtract([7, 6]), box.max.add([7, 6]));
        const hit = dots.reduce((n, p) => n + (near.contains(p) ? 1 : 0), 0);
        if (hit < least) { least = hit; best = { at, shift, box }; }
        if (!least) break;
      }
      name.text.parentNode.classList.toggle("covered", !best);
      if (!best) continue;
      if (name.kind === "river") rivers -= 1;
      taken.push(best.box);
      if (!name.point) name.mark.setLatLng(map.containerPointToLatLng(best.at));
      name.text.style.transform = `translate(calc(-50% + ${best.shift[0]}px), calc(-50% + ${best.shift[1]}px))`;
    }
  }

  // ---- marks: the same strokes on the map and in the legend

  const crowd = () => Math.max(0.55, Math.min(1, Math.sqrt(500 / Math.max(1, decks.length)))) * (map.getSize().x < 600 ? 0.8 : 1);
  function disc(c, x, y, r, look) {
    c.save();
    c.globalAlpha = 1;
    const circle = (radius) => { c.beginPath(); c.arc(x, y, radius, 0, 2 * Math.PI); };
    if (look.urgent) {
      circle(r + 4.2);
      c.lineWidth = 5; c.strokeStyle = PAPER; c.stroke();
      c.lineWidth = 2.4; c.strokeStyle = INK; c.stroke();
    }
    circle(r);
    c.fillStyle = look.colour; c.fill();
    c.lineWidth = 1.3; c.strokeStyle = look.line;
    if (look.soft) c.setLineDash([2.6, 2]);
    c.stroke();
    if (look.soft) { circle(r * 0.55); c.fillStyle = PAPER; c.fill(); }
    c.restore();
  }
  const Mark = L.CircleMarker.extend({
    _updatePath() {
      const renderer = this._renderer;
      if (!renderer._drawing || this._empty()) return;
      disc(renderer._ctx, this._point.x, this._point.y, this._radius, this.options.look);
    },
  });

  // Defects differ by hatching as well as by tone.
  const slant = (c, up) => { for (const k of [-6, 0, 6]) { c.moveTo(k, up ? 6 : 0); c.lineTo(k + 6, up ? 0 : 6); } };
  const HATCHES = {
    delamination: { line: "#2a4a7c", draw: (c) => slant(c, true) },
    spall: { line: "#4b4a48", draw: (c) => { slant(c, true); slant(c, false); } },
    "exposed bar": { line: "#6a5a2a", draw: (c) => { for (const x of [1.5, 4.5]) { c.moveTo(x, 0); c.lineTo(x, 6); } } },
    "failed patch": { line: "#6f6a55", draw: (c) => { c.moveTo(0.5, 1.5); c.lineTo(2, 1.5); c.moveTo(3.5, 4.5); c.lineTo(5, 4.5); } },
    hole: { line: "#101820", solid: true },
  };
  const OTHER = { line: "#4b4a48", draw: (c) => { c.moveTo(0, 3); c.lineTo(6, 3); } };
  const hatchOf = (kind) => (Object.hasOwn(HATCHES, kind) ? HATCHES[kind] : OTHER);
  function ink(hatch) {
    if (hatch.solid) return hatch.line;
    if (!hatch.pattern) {
      const tile = node("canvas");
      tile.width = tile.height = 6;
      const c = tile.getContext("2d");
      c.strokeStyle = hatch.line;
      c.lineWidth = 1.1;
      c.beginPath();
      hatch.draw(c);
      c.stroke();
      hatch.pattern = c.createPattern(tile, "repeat");
    }
    return hatch.pattern;
  }

  // ---- decks

  const canvas = L.canvas({ padding: 0.3, tolerance: 5 });
  const near = (deck) => map.getZoom() >= data.detailZoom + 2 && deck.rings;
  let theme = 0;
  const marks = new Map();
  function look(deck) {
    const level = deck.levels[theme], own = level < 0 ? null : data.themes[theme].classes[level];
    return {
      colour: own ? own[1] : "#ffffff", line: own ? INK : GREY, urgent: there(deck.urgent), soft: Boolean(own && deck.soft[theme]),
      radius: near(deck) ? 5 : own ? Math.max(3, own[2] * crowd()) : 3.5,
    };
  }
  function valueWords(deck) {
    const shown = data.themes[theme], level = deck.levels[theme];
    return level < 0 ? shown.none : `${shown.label}: ${shown.classes[level][0]} ${shown.key === "year" ? "" : shown.unit}`.trim();
  }
  const tip = (deck) => node("div", "", node("b", "", there(deck.name) ? deck.name : deck.deck_id), node("br"), valueWords(deck));
  const roomy = () => ({ maxWidth: Math.min(330, map.getSize().x - 60), maxHeight: Math.max(140, map.getSize().y - 70) });
  function open(deck) {
    const box = figures(deck);
    box.tabIndex = -1;
    map.openPopup(L.popup({ ...roomy(), minWidth: 190, autoPanPadding: [12, 12] }).setLatLng([deck.y, deck.x]).setContent(box));
    return box;
  }
  for (const deck of drawn) {
    const mark = new Mark([deck.y, deck.x], { renderer: canvas, radius: 6, look: look(deck) });
    mark.on("click", (e) => { L.DomEvent.stop(e); open(deck); });
    mark.bindTooltip(() => tip(deck), { direction: "top", offset: [0, -8], opacity: 1 });
    marks.set(deck, mark.addTo(map));
  }
  const rising = () => [...marks.keys()].sort((a, b) => a.levels[theme] - b.levels[theme] || b.index - a.index);
  function dress() {
    for (const deck of rising()) {
      const mark = marks.get(deck), now = look(deck);
      mark.setStyle({ look: now, weight: now.urgent ? 14 : 3 });  // the weight gives the ring its share of the redrawn box
      mark.setRadius(now.radius);
      mark.bringToFront();
    }
  }

  // ---- outlines and defects, only where the view is close enough

  const details = new Map();
  function detail() {
    const close = map.getZoom() >= data.detailZoom, view = map.getBounds().pad(0.4);
    const kinds = new Set(), edges = [];
    for (const deck of drawn) {
      if (!deck.rings && !deck.defects.length) continue;
      const wanted = close && view.contains([deck.y, deck.x]);
      if (wanted && !details.has(deck)) {
        const group = L.layerGroup().addTo(map);
        for (const flaw of deck.defects) {
          const hatch = hatchOf(flaw.kind);
          L.polygon(flaw.rings, { renderer: canvas, color: hatch.line, weight: 1.2, fillColor: ink(hatch), fillOpacity: 1 })
            .bindTooltip(() => node("div", "", node("b", "", capital(there(flaw.kind) ? flaw.kind : "defect")), node("br"), `survey of ${there(flaw.day) ? flaw.day : "unknown date"}`), { sticky: true, opacity: 1 })
            .on("click", (e) => { L.DomEvent.stop(e); open(deck); }).addTo(group).bringToBack();
        }
        if (deck.rings) {
          const edge = L.polygon(deck.rings, { renderer: canvas, color: INK, weight: 1.4, dashArray: deck.soft[0] ? "5 4" : null, fillColor: "#ffffff", fillOpacity: 1 })
            .on("click", (e) => { L.DomEvent.stop(e); open(deck); }).addTo(group);
          edges.push(edge);
        }
        details.set(deck, group);
      } else if (!wanted && details.has(deck)) {
        details.get(deck).remove();
        details.delete(deck);
      }
      if (wanted) for (const flaw of deck.defects) kinds.add(flaw.kind);
    }
    for (const edge of edges) edge.bringToBack();  // under every defect, also of a deck that crosses over
    return { close, kinds };
  }

  // ---- theme control and legend

  function swatch(draw) {
    const ratio = 2, box = node("canvas");
    box.width = box.height = 30 * ratio;
    box.style.width = box.style.height = "30px";
    const c = box.getContext("2d");
    c.scale(ratio, ratio);
    draw(c);
    return box;
  }
  const sample = (r, how) => swatch((c) => disc(c, 15, 15, r, { line: INK, colour: "#ffffff", ...how }));
  function patch(kind) {
    return swatch((c) => {
      c.beginPath();
      c.rect(4, 7, 22, 16);
      if (kind) { c.fillStyle = ink(hatchOf(kind)); c.fill(); c.strokeStyle = hatchOf(kind).line; } else c.strokeStyle = INK;
      c.lineWidth = 1.3;
      c.stroke();
    });
  }
  const item = (picture, words, count) => node("li", "", picture, node("span", "", words), ...(there(count) ? [node("b", "", number(count))] : []));
  function legend(state) {
    const key = document.getElementById("key"), shown = data.themes[theme];
    const count = (level) => drawn.filter((d) => d.levels[theme] === level).length;
    const list = node("ul");
    shown.classes.map((own, level) => [own, level]).reverse().forEach(([[words, colour, r], level]) =>
      list.append(item(sample(Math.max(3, r * crowd()), { colour }), words, count(level))));
    if (count(-1)) list.append(item(sample(3.5, { line: GREY }), shown.none, count(-1)));
    const soft = drawn.filter((d) => look(d).soft).length, urgent = drawn.filter((d) => there(d.urgent)).length;
    const more = node("ul");
    if (soft) more.append(item(sample(8, { colour: GREY, soft: true }), "hollow: " + shown.soft, soft));
    if (urgent) more.append(item(sample(6, { colour: GREY, urgent: true }), "ringed: act now", urgent));
    const parts = [node("h2", "", shown.label, node("small", "", shown.unit + "; decks drawn at right")), list];
    if (more.children.length) parts.push(more);
    if (data.outlines.length || data.defects.length) {
      if (state.close) {
        const close = node("ul");
        if (details.size) close.append(item(patch(null), "deck outline, broken where not surveyed"));
        for (const kind of [...Object.keys(HATCHES), ...state.kinds].filter((k, i, all) => state.kinds.has(k) && all.indexOf(k) === i)) {
          close.append(item(patch(there(kind) ? kind : "other"), there(kind) ? kind : "kind not given"));
        }
        parts.push(node("h2", "", "In this view", node("small", "", details.size ? "defects of each deck's last mapped survey" : "no deck outline or mapped defect")), close);
      } else parts.push(node("p", "", "Zoom in close to see deck outlines and the defects mapped on them."));
    }
    key.replaceChildren(...parts);
  }
  function setTheme(key) {
    const at = data.themes.findIndex((t) => t.key === key);
    if (at < 0) return false;
    theme = at;
    for (const box of document.querySelectorAll("#themes input")) box.checked = box.value === key;
    dress();
    legend(detail());
    return true;
  }
  for (const choice of data.themes) {
    const box = node("input");
    Object.assign(box, { type: "radio", name: "theme", value: choice.key });
    box.addEventListener("change", () => setTheme(choice.key));
    document.getElementById("themes").append(node("label", "", box, node("span", "", choice.label)));
  }

  // ---- finding a deck without the mouse

  const words = document.getElementById("words"), card = document.getElementById("card");
  const byRank = decks.slice().sort((a, b) => (a.rank ?? Infinity) - (b.rank ?? Infinity) || a.index - b.index);
  let back = null;
  function shut() {
    card.hidden = true;
    map.closePopup();
    if (back) back.focus();
    back = null;
  }
  function show(deck, from) {
    back = from || null;
    card.hidden = true;
    if (deck.drawn) {
      map.setView([deck.y, deck.x], Math.max(map.getZoom(), data.detailZoom), { animate: false });
      open(deck).focus({ preventScroll: true });
      document.getElementById("chart").scrollIntoView({ block: "nearest" });
    } else {
      const close = node("button", "shut", "Close");
      close.addEventListener("click", shut);
      const box = figures(deck);
      box.prepend(close);
      card.replaceChildren(box);
      card.hidden = false;
      card.focus();
    }
  }
  function search() {
    const asked = words.value.trim().toLowerCase();
    const fits = (d) => [d.deck_id, d.bridge_id, d.name, d.route].some((t) => there(t) && t.toLowerCase().includes(asked));
    const hits = asked ? byRank.filter(fits) : byRank, few = hits.slice(0, 8);
    document.getElementById("found").textContent = !decks.length ? "No deck in the records."
      : asked ? (hits.length > 8 ? `${number(hits.length)} decks fit; the first 8 by rank` : `${hits.length} ${hits.length === 1 ? "deck fits" : "decks fit"}`)
      : there(byRank[0].rank) ? "First by rank" : "First in the list";
    document.getElementById("hits").replaceChildren(...few.map((deck) => {
      const button = node("button", "", node("span", "", there(deck.rank) ? number(deck.rank) : "–"),
        node("span", "", there(deck.name) ? deck.name : deck.deck_id),
        node("span", "", deck.drawn ? (there(deck.route) ? deck.route : "") : "not drawn"));
      button.type = "button";
      button.addEventListener("click", () => show(deck, button));
      return node("li", "", button);
    }));
  }
  words.addEventListener("input", search);
  document.addEventListener("keydown", (e) => {
    document.body.classList.add("keys");
    if (e.key === "Escape") shut();
  });
  document.addEventListener("pointerdown", () => document.body.classList.remove("keys"));

  // ---- start

  L.control.scale({ imperial: false, maxWidth: 140 }).addTo(map);
  if (!drawn.length) {
    document.getElementById("chart").append(node("p", "empty", decks.length
      ? "No deck has a position on record, so none is drawn. Look decks up by number, name or route." : "There is no deck in the records."));
  }
  let zoom = map.getZoom();
  map.on("moveend", () => {
    const state = detail();
    if (map.getZoom() !== zoom || state.close) {
      if (map.getZoom() !== zoom) dress();
      zoom = map.getZoom();
      legend(state);
    }
    placeNames();
  });
  new ResizeObserver(() => { map.invalidateSize(); placeNames(); }).observe(map.getContainer());
  if (data.themes.length) setTheme(data.themes[0].key);
  search();
  placeNames();

  return {
    map, decks, setTheme,
    theme: () => data.themes[theme].key,
    marks: () => [...marks].filter(([, m]) => map.hasLayer(m)).map(([deck]) => deck.deck_id),
    look: (id) => look(decks.find((d) => d.deck_id === id)),
    pixel: (id) => {
      const deck = decks.find((d) => d.deck_id === id), frame = map.getContainer().getBoundingClientRect();
      const at = map.latLngToContainerPoint([deck.y, deck.x]);
      return [frame.left + at.x, frame.top + at.y];
    },
    show: (id) => show(decks.find((d) => d.deck_id === id)),
    details: () => [...details.keys()].map((d) => d.deck_id),
  };
}
