"use strict";

// Beside the map: legend, filter, and the network in numbers.

function swatch(size, draw) {
  const ratio = 2, box = node("canvas");
  box.width = box.height = size * ratio;
  box.style.width = box.style.height = size + "px";
  const c = box.getContext("2d");
  c.scale(ratio, ratio);
  draw(c, size / 2);
  return box;
}
const keyItem = (picture, words, count) => node("li", "", picture, node("span", "", words), count === undefined ? null : node("b", "", digits.count(count)));

function drawLegend(view) {
  const { net, theme, figures, shown, layer } = view, cells = Boolean(layer.cells), counts = new Map(), parts = [];
  let soft = 0, open = 0, unsure = 0, near = 0, far = 0;
  for (let i = 0; i < net.n; i++) {
    if (!shown[i]) continue;
    counts.set(figures.level[i], (counts.get(figures.level[i]) ?? 0) + 1);
    soft += figures.soft[i];
    open += view.act[i] > 1 ? 1 : 0;
    unsure += view.act[i] === 1 ? 1 : 0;
    near += figures.rings[i] === 1 ? 1 : 0;
    far += figures.rings[i] === 2 ? 1 : 0;
  }
  const of = cells ? "cells: the " + { mean: "mean", least: theme.key === "year" ? "first year" : "most pressing", greatest: "greatest" }[theme.pool] + " of their decks; decks drawn at right" : "decks drawn at right";
  parts.push(node("h2", "", theme.label, node("small", "", theme.unit, node("i", "when", stopWords(view)), "; " + of)));
  const plain = { soft: 0, rings: 0, urgent: 0 }, list = node("ul", "classes");
  const picture = (level) => (cells
    ? swatch(44, (c, m) => drawCell(c, m, m, view.classLook(level), 0))
    : swatch(30, (c, m) => { const look = view.classLook(level); drawMark(c, m, m, look.r, { ...plain, colour: look.colour }); }));
  const levels = theme.classes.map((_, k) => k);
  if (!theme.turned) levels.reverse();
  for (const level of levels) list.append(keyItem(picture(level), theme.classes[level][0], counts.get(level) ?? 0));
  if (counts.get(-1)) list.append(keyItem(picture(-1), theme.none, counts.get(-1)));
  parts.push(list);
  const more = node("ul"), when = stopOf(view).kind === "today" ? "act now," : "still";
  const sample = (look) => swatch(30, (c, m) => drawMark(c, m, m, 6, { ...plain, colour: "#b9bcbf", ...look }));
  if (cells) {
    const edge = (urgent) => swatch(44, (c, m) => drawCell(c, m, m, { colour: "#b9bcbf", size: 0.8, urgent }, 0));
    if (open) more.append(keyItem(edge(2), `bold edge: a deck in it ${when} open`, open));
    if (unsure) more.append(keyItem(edge(1), `broken edge: a deck in it ${when} to confirm`, unsure));
    parts.push(more, node("p", "", `More than ${digits.count(MOST_MARKS)} decks in view: drawn together, their number on each cell. Go closer to see each deck.`));
  } else {
    if (soft) more.append(keyItem(sample({ soft: 1 }), "light centre: " + theme.soft, soft));
    if (near + far && !view.ringed) parts.push(node("p", "", `Doubt is ringed when fewer than ${digits.count(MOST_RINGED)} decks are in view.`));
    if (near + far && view.ringed) {
      more.append(keyItem(sample({ rings: 1 }), `one ring: ${theme.doubtWords.replace("{}", theme.doubt[0])}`, near));
      more.append(keyItem(sample({ rings: 2 }), `two rings: over ${theme.doubt[1]}`, far));
    }
    if (open && view.marked) more.append(keyItem(sample({ urgent: 2 }), `square frame: ${when} open`, open));
    if (unsure && view.marked) more.append(keyItem(sample({ urgent: 1 }), `corners: ${when} to confirm`, unsure));
    if (more.children.length) parts.push(more);
    if (layer.plans.length) {
      const seen = { patch: false, limit: false, kinds: new Set() };
      for (const { shapes } of layer.plans) for (const s of shapes) if (s.sort === "defect") seen.kinds.add(s.kind ?? "kind not given"); else seen[s.sort] = true;
      const close = node("ul");
      const item = (sort, words, kind) => close.append(keyItem(planSwatch(sort, kind), words));
      item("outline", "deck edge");
      for (const kind of [...Object.keys(HATCHES), ...seen.kinds].filter((k, n, all) => seen.kinds.has(k) && all.indexOf(k) === n)) item("defect", kind, kind);
      if (seen.limit) item("limit", "planned repair limit");
      if (seen.patch) item("patch", "earlier patch");
      parts.push(node("h2", "", "On the decks in view", node("small", "", "as known today")), close);
    } else if (view.plans) parts.push(node("p", "hint", "Go closer to see deck edges, defects, planned limits and patches."));
  }
  document.body.classList.toggle("close", layer.plans.length > 0);
  byId("key").replaceChildren(...parts);
}

const stopOf = (view) => view.net.years[view.stop];
function stopLabel(view, stop) {
  return stop.kind === "today" ? view.net.about.today : `end of ${stop.year}`;
}
function stopWords(view) {
  const stop = stopOf(view);
  if (stop.kind === "past") return `, as found up to the end of ${stop.year}`;
  if (stop.kind === "today") return "";
  if (view.theme.key === "year") return `, works up to ${stop.year}`;
  return `, expected when ${stop.year} is over, ${view.planned && view.net.about.planned ? "with the programme" : "without works"}`;
}

// ---- filter

function fillFilter(view) {
  const { net } = view, options = (id, first, words) => {
    const box = byId(id);
    box.replaceChildren(...[first, ...words].map((word, k) => { const o = node("option", "", word); o.value = k === 0 ? "" : word; return o; }));
    box.disabled = !words.length;
  };
  const distinct = (text) => Array.from({ length: text.count }, (_, k) => text.word(k)).sort((a, b) => a.localeCompare(b, "en", { numeric: true }));
  options("route", "all routes", distinct(net.route));
  options("worksyear", "any year", [...new Set(net.line.year)].filter((y) => !Number.isNaN(y)).sort((a, b) => a - b).map(String));
  options("treatment", "any", distinct(net.line.label));
}
function filterWords(view) {
  const f = view.filter, said = [];
  if (f.words) said.push(`words \u201c${f.words}\u201d`);
  if (f.route) said.push(`route ${f.route}`);
  if (f.year) said.push(`works in ${f.year}`);
  if (f.treatment) said.push(f.treatment);
  return said.join(", ");
}
function matches(view) {
  const { net, filter } = view, out = new Uint8Array(net.n).fill(1), keep = (say) => { for (let i = 0; i < net.n; i++) if (out[i] && !say(i)) out[i] = 0; };
  if (filter.route) { const of = codeOf(net.route, filter.route); keep((i) => net.route.code[i] === of); }
  if (filter.year || filter.treatment) {
    const of = codeOf(net.line.label, filter.treatment), mine = new Uint8Array(net.n);
    for (let k = 0; k < net.line.deck.length; k++) {
      if ((!filter.year || String(net.line.year[k]) === filter.year) && (!filter.treatment || net.line.label.code[k] === of)) mine[net.line.deck[k]] = 1;
    }
    keep((i) => mine[i]);
  }
  if (filter.words) {
    const asked = filter.words.toLowerCase();
    const cell = (text) => {  // each different text is looked at once
      const hit = new Uint8Array(text.count);
      for (let k = 0; k < text.count; k++) hit[k] = text.word(k).toLowerCase().includes(asked) ? 1 : 0;
      return (i) => !Number.isNaN(text.code[i]) && hit[text.code[i]];
    };
    const fields = [net.deck_id, net.name, net.route, ...(net.later ? [net.bridge_id, net.place, net.district, net.reason, net.urgent] : [])].map(cell);
    keep((i) => fields.some((field) => field(i)));
  }
  return out;
}

// ---- the network in numbers

function sumsOf(view) {
  const { net, match } = view, stop = stopOf(view), m = net.about.stops.length, now = stop.kind !== "ahead";
  const then = stop.kind === "past" ? lastSurveys(net, stop.day, net.survey.known.unsound) : null;
  const out = { decks: 0, undrawn: 0, area: 0, noArea: 0, unsound: 0, of: 0, both: 0, open: 0, unsure: 0, cost: 0, works: 0, money: new Map() };
  for (let i = 0; i < net.n; i++) {
    if (!match[i]) continue;
    out.decks += 1;
    if (!net.drawn[i]) out.undrawn += 1;
    const act = actOf(net, i, stop, view.planned && net.about.planned);
    if (act > 1) out.open += 1; else if (act) out.unsure += 1;
    if (Number.isNaN(net.area_m2[i])) out.noArea += 1; else out.area += net.area_m2[i];
    const share = then ? (then[i] < 0 ? NaN : net.survey.known.unsound[then[i]]) : now ? net.share_now[i] : (view.planned ? net.planned : net.nothing)[i * m + stop.k];
    if (!Number.isNaN(share) && !Number.isNaN(net.area_m2[i])) { out.both += 1; out.of += net.area_m2[i]; out.unsound += net.area_m2[i] * share; }
  }
  const f = view.filter, label = f.treatment ? codeOf(net.line.label, f.treatment) : -1;
  for (let k = 0; k < net.line.deck.length; k++) {
    if (!match[net.line.deck[k]] || (f.year && String(net.line.year[k]) !== f.year) || (f.treatment && net.line.label.code[k] !== label)) continue;
    out.works += 1;
    if (Number.isNaN(net.line.cost[k])) continue;
    out.cost += net.line.cost[k];
    out.money.set(net.line.year[k], (out.money.get(net.line.year[k]) ?? 0) + net.line.cost[k]);
  }
  return out;
}
function drawSums(view) {
  const { net } = view, sums = sumsOf(view), stop = stopOf(view), filtered = filterWords(view), coin = net.about.currency;
  const list = node("dl", "sums"), say = (term, value, note) => list.append(node("dt", "", term), node("dd", "", node("b", "", value), note ? node("span", "", ...[note].flat()) : null));
  say("Decks", digits.count(sums.decks), sums.undrawn ? `${digits.count(sums.undrawn)} not drawn: no position` : null);
  say("Deck area", squares(sums.area), sums.noArea ? `${plural(sums.noArea, "deck", "decks")} without an area` : null);
  const when = stop.kind === "past" ? `found on ${plural(sums.both, "deck", "decks")} up to the end of ${stop.year}` : stop.kind === "ahead" ? `when ${stop.year} is over, ${view.planned && net.about.planned ? "with the programme" : "without works"}` : "expected today", now = stop.kind !== "ahead";
  say("Unsound", sums.both ? squares(sums.unsound) : "not known", sums.both ? [`${percent(sums.of ? sums.unsound / sums.of : 0)} of ${squares(sums.of)}`, node("i", "when", ", " + when)] : null);
  if (sums.open + sums.unsure) {
    say(now ? "Act now" : "Still open", plural(sums.open + sums.unsure, "deck", "decks"), `${digits.count(sums.open)} open, ${digits.count(sums.unsure)} to confirm`);
  }
  const parts = [node("h2", "", filtered ? "The decks chosen in numbers" : "The network in numbers", filtered ? node("small", "", filtered) : null), list];
  const money = node("table", "money"), years = [...sums.money.keys()].sort((a, b) => a - b), most = Math.max(1, ...sums.money.values());
  for (const year of years) {
    const cost = sums.money.get(year), bar = node("i");
    bar.style.width = `${100 * cost / most}%`;
    money.append(node("tr", "", node("th", "", String(year)), node("td", "bar", bar), node("td", "", digits.money(cost))));
  }
  if (years.length) {
    money.prepend(node("caption", "", `Money by year, ${coin}, ${net.about.priceYear} prices; rounded, the sum from the exact sum`));
    if (years.length > 1) money.append(node("tr", "all", node("th", "", "All"), node("td", "", plural(sums.works, "work", "works")), node("td", "", digits.money(sums.cost))));
    parts.push(money);
  } else parts.push(node("p", "", net.about.programme ? "No works among these decks." : "No programme given."));
  const foremost = [];
  for (let k = 0; k < net.n && foremost.length < 10; k++) if (view.match[net.byRank[k]]) foremost.push(net.byRank[k]);
  const ranked = foremost.some((i) => !Number.isNaN(net.rank[i]));
  parts.push(node("h2", "worst", !net.n ? "No deck in the records" : !foremost.length ? "No deck fits the filter" : ranked ? `Worst ${foremost.length > 1 ? foremost.length + " " : ""}by rank` : "First in the list"));
  parts.push(node("ol", "", ...foremost.map((i) => {
    const button = node("button", "", node("span", "", Number.isNaN(net.rank[i]) ? "\u2013" : digits.count(net.rank[i])), node("span", "", net.called(i)),
      node("span", "", net.drawn[i] ? (Number.isNaN(net.share_now[i]) ? "" : percent(net.share_now[i])) : "not drawn"));
    button.type = "button";
    button.addEventListener("click", () => view.show(i, button));
    return node("li", "", button);
  })));
  const box = byId("sums"), held = box.contains(document.activeElement) ? [...box.querySelectorAll("button")].indexOf(document.activeElement) : -1;
  box.replaceChildren(...parts);
  if (held >= 0) box.querySelectorAll("button")[held]?.focus();
}
