"use strict";

// The district's own base map, and its names where there is room.

function drawBase(map, net) {
  const about = net.about, cols = net.first, num = (name) => cols.num(name);
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
  const kinds = cols.text("base.kind"), named = cols.text("base.name"), sorts = num("base.sort"), counts = num("base.parts");
  const points = num("base.points"), xs = cols.sums("base.x"), ys = cols.sums("base.y"), step = about.baseStep;
  const features = [];
  let part = 0, at = 0;
  for (let f = 0; f < counts.length; f++) {
    const parts = [];
    for (const last = part + counts[f]; part < last; part++) {
      const line = [];
      for (const end = at + points[part]; at < end; at++) line.push([about.lat + ys[at] * step, about.lon + xs[at] * step]);
      parts.push(line);
    }
    features.push({ kind: kinds(f), name: named(f), sort: ["area", "line", "point"][sorts[f]], parts });
  }
  const run = (line) => line.reduce((sum, p, i) => sum + (i ? Math.hypot(p[0] - line[i - 1][0], p[1] - line[i - 1][1]) : 0), 0);
  for (const f of features) f.run = f.parts.reduce((sum, line) => sum + run(line), 0);
  const longest = Math.max(...features.filter((f) => f.kind === "river").map((f) => f.run), 1e-9);
  let sea = false;
  for (const kind of ["shoreline", "river", "boundary", "route"]) {
    const chosen = features.filter((f) => f.kind === kind && f.sort !== "point");
    for (const f of chosen) {
      if (kind !== "shoreline" || f.sort !== "area") continue;
      sea = sea || about.land;
      L.polygon(f.parts, { renderer: ground, stroke: false, fillColor: about.land ? "#f4f3ee" : "#e4eaee", fillOpacity: 1, interactive: false }).addTo(map);
    }
    if (kind === "boundary" && !sea) {  // without land drawn as an area, the district stands out from what lies round it
      for (const f of chosen) if (f.sort === "area") L.polygon(f.parts, { renderer: ground, stroke: false, fillColor: "#f7f6f1", fillOpacity: 1, interactive: false }).addTo(map);
      if (chosen.some((f) => f.sort === "area")) map.getContainer().classList.add("beyond");
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
  if (sea) map.getContainer().classList.add("sea");
  const names = [];
  for (const kind of ["town", "route", "river"]) {
    for (const { name, sort, parts } of features.filter((f) => f.kind === kind && f.name !== null).sort((a, b) => b.run - a.run).slice(0, 400)) {
      const text = node("span", "", name);
      const mark = L.marker(parts[0][0], { icon: L.divIcon({ className: "name " + kind, iconSize: [0, 0], html: text }), interactive: false, keyboard: false, pane: "names" });
      names.push({ kind, text, mark: mark.addTo(map), point: sort === "point" ? parts[0][0] : null, parts, wide: 0 });
    }
  }
  return { names, renderers: [ground, country] };
}

function placesOf(map, name, wide, view) {  // where a name may stand: beside its point, or along the part of its line in view
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

// No name lies on another; a name on a line keeps clear of decks or waits for room.
function placeNames(map, names, marks) {
  const size = map.getSize(), view = L.bounds([0, 0], size), taken = [], grain = 8;
  const cols = Math.ceil(size.x / grain) + 1, rows = Math.ceil(size.y / grain) + 1, crowd = new Uint16Array(cols * rows);
  const shift0 = map.layerPointToContainerPoint([0, 0]);
  for (const [, x, y] of marks) {
    const cx = Math.floor((x + shift0.x) / grain), cy = Math.floor((y + shift0.y) / grain);
    if (cx >= 0 && cy >= 0 && cx < cols && cy < rows) crowd[cy * cols + cx] += 1;
  }
  const decksIn = (box) => {
    let n = 0;
    const x1 = Math.min(cols - 1, Math.floor(box.max.x / grain)), y1 = Math.min(rows - 1, Math.floor(box.max.y / grain));
    for (let y = Math.max(0, Math.floor(box.min.y / grain)); y <= y1; y++) for (let x = Math.max(0, Math.floor(box.min.x / grain)); x <= x1; x++) n += crowd[y * cols + x];
    return n;
  };
  let rivers = Math.max(5, Math.round(size.x * size.y / 45000));  // the longest in view are named, so that decks stand out
  const chosen = [];
  for (const name of names) name.wide ||= name.text.offsetWidth;
  for (const name of names) {
    const high = 17;
    let best = null, least = name.point ? Infinity : 1;
    if (name.kind !== "river" || rivers) {
      for (const { at, shift } of placesOf(map, name, name.wide, view)) {
        const centre = at.add(shift), half = [name.wide / 2 + 2, high / 2];
        const box = L.bounds(centre.subtract(half), centre.add(half));
        if (!view.contains(box) || taken.some((b) => b.overlaps(box))) continue;
        const hit = decksIn(L.bounds(box.min.subtract([7, 6]), box.max.add([7, 6])));
        if (hit < least) { least = hit; best = { at, shift, box }; }
        if (!least) break;
      }
    }
    if (best && name.kind === "river") rivers -= 1;
    if (best) taken.push(best.box);
    chosen.push([name, best]);
  }
  for (const [name, best] of chosen) {
    name.text.parentNode.classList.toggle("covered", !best);
    if (!best) continue;
    if (!name.point) name.mark.setLatLng(map.containerPointToLatLng(best.at));
    name.text.style.transform = `translate(calc(-50% + ${best.shift[0]}px), calc(-50% + ${best.shift[1]}px))`;
  }
}
