"use strict";

// One deck: its figures, plan, history and forecast.

const FROM = {
  survey: "from its own surveys", works: "reckoned from works done", rating: "no survey: estimated from the deck rating",
  network: "no survey: estimated from like decks", assumption: "no survey and no rating: assumed",
};
const GROWTH_FROM = { "own surveys": "from its own surveys", network: "from like decks", assumption: "assumed" };
const AADT_FROM = { count: "counted", "old count": "an old count", "undated count": "counted in a year not given", route: "filled in from its route",
  class: "filled in from like routes", assumption: "assumed", network: "filled in from the network" };

function deckCard(view, i) {
  const { net, plans } = view, box = node("div", "sheet"), get = (name) => net.later.num(name)[i];
  const called = net.called(i), act = net.act;
  for (let k = net.actAt[i]; k < net.actAt[i + 1]; k++) {  // open ones come first
    const due = act.due[k], ends = Number.isNaN(act.ends[k]) ? act.doubt[k] : act.ends[k];
    const when = Number.isNaN(due) ? "" : due < 0 ? ` (overdue by ${plural(-due, "day", "days")})` : due === 0 ? " (today)" : ` (within ${plural(due, "day", "days")})`;
    const words = [`Found ${dayWords(act.since[k])}.`, act.settles(k) && `What ends it: ${act.settles(k)}.`,
      !Number.isNaN(ends) && (ends === act.ends[k] ? `The works of ${ends} in the programme deal with it.` : `The works of ${ends} in the programme may deal with it: to confirm then.`)];
    box.append(node("p", act.state[k] > 1 ? "first" : "first unsure", node("b", "", "Act now: "), act.why(k), when, node("span", "", words.filter((w) => w).join(" "))));
  }
  box.append(node("h3", "", called));
  const where = ["Deck " + net.deck_id(i)];
  if (net.bridge_id(i) !== null && net.bridge_id(i) !== net.deck_id(i)) where.push("bridge " + net.bridge_id(i));
  if (net.route(i) !== null) where.push("route " + net.route(i));
  if (net.place(i) !== null) where.push(net.place(i));
  box.append(node("p", "where", where.join(" \u00b7 ")));
  if (plans.lay.way[i] === 3) box.append(node("p", "where", "Direction not known: drawn with stations running east."));
  if (!net.drawn[i]) box.append(node("p", "where", "Position not known: not drawn on the map."));

  const first = node("p", "facts"), fact = (value, words) => first.append(node("span", "", node("b", "", value), words));
  fact(there(net.share_now[i]) ? percent(net.share_now[i]) : NONE, "expected unsound today" + (there(net.share_low[i]) && there(net.share_high[i]) ? ` (${digits.share(net.share_low[i])} to ${digits.share(net.share_high[i])})` : ""));
  if (there(net.growth_per_yr[i])) fact(digits.pace(net.growth_per_yr[i]), "points a year");
  if (there(net.rank[i])) fact(digits.count(net.rank[i]), `of ${digits.count(net.n)} by rank`);
  box.append(first);
  const list = node("dl");
  const row = (term, main, ...notes) => list.append(node("dt", "", term),
    node("dd", "", node("b", "", main), ...notes.filter((n) => n).map((n) => node("span", "", n))));
  const span = (low, high, say) => there(low) && there(high) && `80 % range ${say(low)} to ${say(high)}`;
  const reason = net.reason(i);
  if (there(net.priority[i])) {
    const points = [["share", get("points_share")], ["growth", get("points_growth")], ["traffic", get("points_traffic")], ["other", get("points_other") || NaN]]
      .filter(([, v]) => there(v)).map(([word, v]) => `${word} ${digits.points(v)}`).join(" + ");
    row("Priority", `${digits.points(net.priority[i])} of 100` + (there(net.rank[i]) ? `, rank ${digits.count(net.rank[i])}` : ""),
      there(net.rank_low[i]) && `80 % range of rank ${digits.count(net.rank_low[i])} to ${digits.count(net.rank_high[i])}`, points && "points: " + points, reason);
  } else if (reason !== null) row("Priority", "not ranked", reason);
  row("Unsound", there(net.share_now[i]) ? percent(net.share_now[i]) + " expected today" : "not known",
    span(net.share_low[i], net.share_high[i], digits.share), net.share_from(i) !== null && known(FROM, net.share_from(i)));
  if (there(net.survey_day[i])) {
    const found = [], covered = net.covered_share[i];
    if (there(get("unsound_share"))) found.push(percent(get("unsound_share")) + " found unsound");
    if (there(net.delaminated_share[i])) found.push(percent(net.delaminated_share[i]) + " delaminated");
    row("Last survey", dayWords(net.survey_day[i]) + (net.method(i) !== null ? `, ${net.method(i)}` : ""), found.join(", "),
      net.looked(i) ?? (there(covered) && "whole deck looked at"),
      net.sound_due_day[i] < net.about.day && `due again since ${dayWords(net.sound_due_day[i])}`);
  } else row("Last survey", "none on record", there(get("deck_rating")) && `deck rating ${get("deck_rating")}, 9 to 0`);
  if (there(net.growth_per_yr[i])) {
    row("Growth", `${digits.pace(net.growth_per_yr[i])} points a year`, span(net.growth_low[i], net.growth_high[i], digits.pace),
      net.growth_from(i) !== null && known(GROWTH_FROM, net.growth_from(i)));
  }
  if (there(net.aadt[i])) {
    const year = get("aadt_year"), count = get("aadt_count");
    row("Traffic", `${digits.traffic(net.aadt[i])} vehicles a day`,
      [there(year) ? (there(count) && count !== net.aadt[i] ? `AADT, from ${digits.count(count)} in ${year}` : `AADT of ${year}`) : "AADT, year not given",
        net.aadt_from(i) !== null && known(AADT_FROM, net.aadt_from(i)), there(get("truck_share")) && percent(get("truck_share")) + " trucks"].filter((n) => n).join(", "));
  } else row("Traffic", "not known");
  row("Deck area", there(net.area_m2[i]) ? squares(net.area_m2[i]) : "not known",
    [there(get("length_m")) && there(get("width_m")) && `${digits.given(get("length_m"))} \u00d7 ${digits.given(get("width_m"))} m`,
      there(get("built_year")) && `built ${get("built_year")}`].filter((n) => n).join(", "));
  const line = net.line;
  for (let k = net.lineAt[i]; k < net.lineAt[i + 1]; k++) {
    row("Programme", `${line.year[k]}` + (line.label(k) !== null ? `: ${line.label(k)}` : ""),
      [there(line.cost[k]) && `${digits.money(line.cost[k])} ${net.about.currency}`, there(line.repair_m2[k]) && `${squares(line.repair_m2[k])} to repair`,
        there(line.crew_days[k]) && `${digits.crewDays(line.crew_days[k])} crew days`].filter((n) => n).join(", "),
      there(line.share_before[k]) && there(line.share_after[k]) && `unsound ${percent(line.share_before[k])} before, ${percent(line.share_after[k])} after`, line.why(k));
  }
  if (net.lineAt[i] === net.lineAt[i + 1]) row("Programme", net.about.programme ? "not in this programme" : "no programme given", net.waiting(i));

  const chart = deckChart(net, i);
  if (chart) box.append(chart);
  if (plans.edge(i) && plans.drawnOn(i)) box.append(deckPlan(plans, i));
  else box.append(node("p", "caption", "No defect, patch or limit is drawn on this deck."));
  box.append(list);
  box.append(deckHistory(net, i));
  const sheet = net.sheet(i);
  if (sheet !== null && !/^\s*[a-z]+:/i.test(sheet)) {
    const link = node("a", "", "Page of this deck (PDF)");
    link.href = sheet;
    link.target = "_blank";
    link.rel = "noopener";
    box.append(node("p", "link", link));
  }
  box.append(node("p", "link", "Crew sheet: ", node("code", "", `decknet sheet STORE ${net.deck_id(i)}`)));
  return box;
}

function deckHistory(net, i) {
  const rows = [];
  for (let r = net.surveyAt[i]; r < net.surveyAt[i + 1]; r++) {
    const said = there(net.survey.unsound[r]) ? percent(net.survey.unsound[r]) + " unsound" : "extent not stated";
    rows.push([net.survey.day[r], `Survey${net.survey.method(r) === null ? "" : ", " + net.survey.method(r)}`, said + (net.survey.covered[r] < 0.995 ? `, part of the deck (${percent(net.survey.covered[r])})` : "")]);
  }
  for (let r = net.repairAt[i]; r < net.repairAt[i + 1]; r++) {
    rows.push([net.repair.day[r], capital(net.repair.treatment(r) ?? "repair"), there(net.repair.area[r]) ? squares(net.repair.area[r]) : "area not stated"]);
  }
  rows.sort((a, b) => b[0] - a[0]);
  if (!rows.length) return node("p", "where", "No survey or repair on record.");
  const body = node("table", "", ...rows.map(([day, what, said]) => node("tr", "", node("td", "", dayWords(day)), node("td", "", what), node("td", "", said))));
  return node("details", "", node("summary", "", `Records: ${plural(net.surveyAt[i + 1] - net.surveyAt[i], "survey", "surveys")}, ${plural(net.repairAt[i + 1] - net.repairAt[i], "repair", "repairs")}`), body);
}

function svg(tag, given = {}, ...parts) {
  const made = document.createElementNS("http://www.w3.org/2000/svg", tag);
  for (const [name, value] of Object.entries(given)) made.setAttribute(name, value);
  made.append(...parts);
  return made;
}

// Surveys and repairs, and what is expected with and without works.
function deckChart(net, i) {
  const ahead = net.about.stops, m = ahead.length, today = net.about.day, surveys = [], repairs = [];
  for (let r = net.surveyAt[i]; r < net.surveyAt[i + 1]; r++) if (there(net.survey.unsound[r])) surveys.push(r);
  for (let r = net.repairAt[i]; r < net.repairAt[i + 1]; r++) repairs.push(r);
  const course = (values, first) => [...(there(first) ? [[today, first]] : []), ...ahead.map((y, k) => [dayOfYearEnd(y), values[i * m + k]])].filter(([, v]) => there(v));
  const nothing = course(net.nothing, net.share_now[i]), planned = net.treated[i] ? course(net.planned, net.share_now[i]) : [];
  const low = course(net.nothingLow, net.share_low[i]), high = course(net.nothingHigh, net.share_high[i]);
  if (!surveys.length && !nothing.length) return null;
  const days = [today, ...surveys.map((r) => net.survey.day[r]), ...repairs.map((r) => net.repair.day[r]), ...nothing.map(([d]) => d)];
  const from = Math.min(...days) - 120, to = Math.max(...days) + 120;
  const most = Math.max(0.02, ...surveys.map((r) => net.survey.unsound[r]), ...nothing.map(([, v]) => v), ...high.map(([, v]) => v), ...planned.map(([, v]) => v));
  const grid = [0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.25].find((g) => most / g <= 4.2) ?? 0.25, top = Math.min(1, Math.ceil(most / grid - 1e-9) * grid);
  const W = 330, H = 138, l = 34, r = 6, t = 8, b = 20, X = (d) => l + (W - l - r) * (d - from) / (to - from), Y = (v) => H - b - (H - t - b) * v / top;
  const draw = svg("svg", { viewBox: `0 0 ${W} ${H}`, class: "history", role: "img" });
  const said = `Unsound share: ${plural(surveys.length, "survey", "surveys")}` + (nothing.length ? `; without works ${percent(nothing[nothing.length - 1][1])} when ${ahead[m - 1] ?? "today"} is over` : "") +
    (planned.length ? `, with the programme ${percent(planned[planned.length - 1][1])}` : "");
  draw.append(svg("title", {}, said));
  const path = (points) => points.map(([d, v], k) => `${k ? "L" : "M"}${X(d).toFixed(1)} ${Y(v).toFixed(1)}`).join("");
  for (let v = 0; v <= top + 1e-9; v += grid) {
    draw.append(svg("path", { d: `M${l} ${Y(v)}H${W - r}`, stroke: "#d9dcdf", "stroke-width": 1 }),
      svg("text", { x: l - 4, y: Y(v) + 3.5, "text-anchor": "end", class: "tick" }, digits.given(100 * v) + (v === 0 ? "" : " %")));
  }
  const y0 = yearOfDay(from) + 1, y1 = yearOfDay(to), every = [1, 2, 5, 10, 20].find((e) => (y1 - y0) / e <= 7) ?? 50;
  for (let y = Math.ceil(y0 / every) * every; y <= y1; y += every) {
    const x = X(dayOfYearEnd(y - 1));
    if (x < l + 8 || x > W - 14) continue;
    draw.append(svg("path", { d: `M${x} ${H - b}v4`, stroke: GREY }), svg("text", { x, y: H - 4, "text-anchor": "middle", class: "tick" }, String(y)));
  }
  if (low.length > 1 && high.length === low.length) draw.append(svg("path", { d: path(high) + path(low.slice().reverse()).replace("M", "L") + "Z", fill: "#c9ccd4", "fill-opacity": 0.65 }));
  draw.append(svg("path", { d: `M${X(today)} ${t}V${H - b}`, stroke: GREY, "stroke-dasharray": "2 3" }));
  for (const k of repairs) draw.append(svg("path", { d: `M${X(net.repair.day[k])} ${H - b}l-3.5 7h7z`, fill: "#7a3b00" }, svg("title", {}, `${dayWords(net.repair.day[k])} ${net.repair.treatment(k) ?? "repair"}`)));
  if (nothing.length > 1) draw.append(svg("path", { d: path(nothing), fill: "none", stroke: INK, "stroke-width": 1.6 }));
  if (planned.length > 1) draw.append(svg("path", { d: path(planned), fill: "none", stroke: "#00285a", "stroke-width": 2.2, "stroke-dasharray": "5 3" }));
  if (surveys.length > 1) draw.append(svg("path", { d: path(surveys.map((k) => [net.survey.day[k], net.survey.unsound[k]])), fill: "none", stroke: "#9aa3ab", "stroke-width": 1 }));
  for (const k of surveys) draw.append(svg("circle", { cx: X(net.survey.day[k]).toFixed(1), cy: Y(net.survey.unsound[k]).toFixed(1), r: 3, fill: net.survey.covered[k] < 0.995 ? PAPER : INK, stroke: INK },
    svg("title", {}, `${dayWords(net.survey.day[k])}: ${percent(net.survey.unsound[k])} found unsound`)));
  const words = node("p", "caption", "Unsound share. Dots: surveys (open: part of the deck); triangles: repairs; line: without works, with its 80 % range" + (planned.length ? "; broken line: with the programme." : "."));
  return node("figure", "", draw, words);
}

// The deck in strips, stations to the right, offsets to the right of the centreline downwards.
function deckPlan(plans, i) {
  const edge = plans.edge(i)[0], xs = edge.map((p) => p[0]), ys = edge.map((p) => p[1]);
  const x0 = Math.min(...xs), x1 = Math.max(...xs), y0 = Math.min(...ys), y1 = Math.max(...ys);
  const W = 330, pad = 4, foot = 15, long = Math.max(x1 - x0, 0.1), wide = Math.max(y1 - y0, 0.1);
  let strips = 1;  // as many as make the whole drawing larger, up to a limit of height
  const scaleOf = (n) => Math.min((W - 2 * pad) / (long / n), 150 / wide);
  const tall = (n) => n * (scaleOf(n) * wide + foot + 4);
  while (strips < 8 && tall(strips + 1) <= 210 && scaleOf(strips + 1) > scaleOf(strips) * 1.02) strips += 1;
  const scale = scaleOf(strips), part = long / strips, high = scale * wide + foot + 4, H = Math.ceil(strips * high), ratio = 2;
  const box = node("canvas");
  box.width = W * ratio; box.height = H * ratio;
  box.style.width = "100%"; box.style.aspectRatio = `${W} / ${H}`;
  const c = box.getContext("2d"), shapes = plans.shapes(i);
  c.scale(ratio, ratio);
  c.lineJoin = "round";
  for (let k = 0; k < strips; k++) {
    const from = x0 + k * part, to = from + part, top = k * high + 2;
    c.save();
    c.beginPath(); c.rect(0, top - 2, W, scale * wide + 4); c.clip();
    for (const shape of shapes) PLAN_STYLE[shape.sort](c, pathOf(shape.rings, (s, o) => [pad + (s - from) * scale, top + (o - y0) * scale]), shape.kind);
    c.restore();
    c.fillStyle = "#55606c"; c.font = "10px system-ui, 'DejaVu Sans', sans-serif"; c.textBaseline = "top";
    for (const [s, align] of [[from, "left"], [to, "right"]]) {
      c.textAlign = align;
      c.fillText(`${digits.setOut(s)} m`, pad + (s - from) * scale, top + scale * wide + 3);
    }
  }
  const d = plans.count("defect", i), p = plans.count("patch", i), n = plans.count("limit", i);
  box.setAttribute("role", "img");
  const words = `Plan: ${plural(d, "defect", "defects")} as known, ${plural(n, "planned limit", "planned limits")}, ${plural(p, "earlier patch", "earlier patches")} drawn`;
  box.setAttribute("aria-label", words);
  const keys = [...new Set(shapes.filter((s) => s.sort === "defect").map((s) => s.kind ?? "kind not given"))].map((kind) => [kind, planSwatch("defect", kind)]);
  if (n) keys.push(["planned limit", planSwatch("limit")]);
  if (p) keys.push(["earlier patch", planSwatch("patch")]);
  return node("figure", "", box, node("p", "keys", ...keys.map(([word, picture]) => node("span", "", picture, word))),
    node("p", "caption", words + (strips > 1 ? `; in ${strips} strips. ` : ". ") + "Stations run to the right, right of the centreline is down."));
}
function planSwatch(sort, kind = null) {
  const box = node("canvas");
  box.width = 44; box.height = 28; box.style.width = "22px"; box.style.height = "14px";
  const c = box.getContext("2d"), path = new Path2D();
  c.scale(2, 2);
  path.rect(1.5, 1.5, 19, 11);
  PLAN_STYLE[sort](c, path, kind);
  return box;
}
