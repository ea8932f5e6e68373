"use strict";

// Reads the packed columns of the page. Text of the records only ever becomes text nodes.

const INK = "#1d2733", PAPER = "#fbfbf9", GREY = "#8b949c";

function node(tag, name, ...parts) {
  const made = document.createElement(tag);
  if (name) made.className = name;
  for (const part of parts) if (part !== null && part !== undefined && part !== false) made.append(part);
  return made;
}
const byId = (id) => document.getElementById(id);
const known = (words, key) => (Object.hasOwn(words, key) ? words[key] : key);
const capital = (text) => text.charAt(0).toUpperCase() + text.slice(1);
const plural = (n, one, many) => `${digits.count(n)} ${n === 1 ? one : many}`;
const dayWords = (day) => new Date(day * 864e5).toISOString().slice(0, 10);
const yearOfDay = (day) => new Date(day * 864e5).getUTCFullYear();
const dayOfYearEnd = (year) => Date.UTC(year, 11, 31) / 864e5;

// ---- columns

const KINDS = { i1: Int8Array, i2: Int16Array, i4: Int32Array, f8: Float64Array };
const MISSING = { i1: -128, i2: -32768, i4: -2147483648 };

class Columns {
  constructor(list, buffer) {
    this.buffer = buffer;
    this.list = new Map(list.map((column) => [column[0], column]));
    this.made = new Map();
  }
  raw(name) {
    const [, kind, at, count] = this.list.get(name);
    return new KINDS[kind](this.buffer, at, count);
  }
  // Numbers, NaN where missing.
  num(name) {
    if (!this.made.has(name)) {
      const [, kind, , count, digits] = this.list.get(name), out = new Float64Array(count);
      if (kind === "row") for (let i = 0; i < count; i++) out[i] = i;
      else {
        const raw = this.raw(name), missing = MISSING[kind], up = digits > 0, by = 10 ** Math.abs(digits);
        for (let i = 0; i < count; i++) out[i] = raw[i] === missing ? NaN : up ? raw[i] / by : raw[i] * by;
      }
      this.made.set(name, out);
    }
    return this.made.get(name);
  }
  // Running sums of a column of steps.
  sums(name) {
    const out = this.num(name).slice();
    for (let i = 1; i < out.length; i++) out[i] += out[i - 1];
    return out;
  }
  // A function from row to text, null where missing; with the different texts and the code of each row.
  text(name) {
    const key = name + ".text";
    if (!this.made.has(key)) {
      const size = this.num(name + ".size"), code = this.num(name + ".code");
      const bytes = new Uint8Array(this.buffer, this.list.get(name + ".utf8")[2], this.list.get(name + ".utf8")[3]);
      const ends = new Float64Array(size.length + 1), reader = new TextDecoder("utf-8", { ignoreBOM: true }), read = [];
      for (let i = 0; i < size.length; i++) ends[i + 1] = ends[i] + size[i];
      const word = (k) => (read[k] ??= reader.decode(bytes.subarray(ends[k], ends[k + 1])));
      const get = (i) => (Number.isNaN(code[i]) ? null : word(code[i]));
      this.made.set(key, Object.assign(get, { code, word, count: size.length }));
    }
    return this.made.get(key);
  }
}

async function readBlock(id, list) {
  const holder = byId(id), text = holder.textContent;
  holder.remove();
  let bytes;
  if (Uint8Array.fromBase64) bytes = Uint8Array.fromBase64(text);
  else {
    const letters = atob(text);
    bytes = new Uint8Array(letters.length);
    for (let i = 0; i < letters.length; i++) bytes[i] = letters.charCodeAt(i);
  }
  const flow = new Blob([bytes]).stream().pipeThrough(new DecompressionStream("gzip"));
  return new Columns(list, await new Response(flow).arrayBuffer());
}

// First row of each deck among rows ordered by deck, and one past the last.
function starts(deckOf, n) {
  const out = new Int32Array(n + 1);
  for (const deck of deckOf) out[deck + 1] += 1;
  for (let i = 0; i < n; i++) out[i + 1] += out[i];
  return out;
}

// ---- the network

function firstNetwork(about, cols) {
  const n = about.decks, num = (name) => cols.num(name), net = { about, n, first: cols, later: null };
  net.lon = num("x").map((v) => v + about.lon);
  net.lat = num("y").map((v) => v + about.lat);
  net.mx = net.lon.map((v) => v / 360 + 0.5);
  net.my = net.lat.map(mercator);
  net.drawn = new Uint8Array(n);
  for (let i = 0; i < n; i++) net.drawn[i] = Number.isNaN(net.mx[i]) || Number.isNaN(net.my[i]) ? 0 : 1;
  for (const name of ["deck_id", "name", "route", "share_from", "growth_from", "aadt_from"]) net[name] = cols.text(name);
  for (const name of ["area_m2", "share_now", "share_low", "share_high", "delaminated_share", "covered_share", "fresh_share", "growth_per_yr",
    "growth_low", "growth_high", "aadt", "priority", "rank", "rank_low", "rank_high", "survey_day", "sound_due_day", "due_in"]) {
    net[name] = num(name);
  }
  net.called = (i) => net.name(i) ?? net.deck_id(i);
  net.act = { deck: num("act.deck"), state: num("act.state"), due: num("act.due_in"), ends: num("act.ends_year"), doubt: num("act.doubt_year") };
  net.actAt = starts(net.act.deck, n);
  const line = { deck: num("line.deck"), label: cols.text("line.label") };
  for (const name of ["year", "cost", "crew_days", "repair_m2", "share_before", "share_after"]) line[name] = num("line." + name);
  net.line = line;
  net.lineAt = starts(line.deck, n);
  net.worksYear = new Float64Array(n).fill(NaN);
  for (let k = line.deck.length - 1; k >= 0; k--) net.worksYear[line.deck[k]] = line.year[k];
  // Decks in order of rank, those without one last.
  const order = Array.from({ length: n }, (_, i) => i), rank = net.rank;
  const place = (i) => (Number.isNaN(rank[i]) ? Infinity : rank[i]);
  let sorted = true;
  for (let i = 1; i < n && sorted; i++) sorted = place(i) >= place(i - 1);
  net.byRank = sorted ? order : order.sort((a, b) => (place(a) === place(b) ? a - b : place(a) - place(b)));
  net.years = [{ kind: "today" }];
  return net;
}

const mercator = (lat) => {
  const phi = Math.max(-85.0511287798, Math.min(85.0511287798, lat)) * Math.PI / 180;
  return 0.5 - Math.log(Math.tan(Math.PI / 4 + phi / 2)) / (2 * Math.PI);
};

const ANEW = ["thin overlay", "rigid overlay", "new deck"];  // after one of these an older survey no longer stands

function wholeNetwork(net, cols) {
  const n = net.n, num = (name) => cols.num(name);
  net.later = cols;
  for (const name of ["bridge_id", "place", "district", "method", "reason", "urgent", "looked", "waiting", "sheet"]) net[name] = cols.text(name);
  net.line.why = cols.text("line.why");
  Object.assign(net.act, { why: cols.text("act.why"), settles: cols.text("act.settles"), since: num("act.since") });
  const survey = { deck: cols.sums("survey.deck"), day: num("survey.day"), method: cols.text("survey.method"),
    unsound: num("survey.unsound_share"), delaminated: num("survey.delaminated_share"), covered: num("survey.covered_share"),
    known: { unsound: num("survey.known_unsound"), delaminated: num("survey.known_delaminated"), covered: num("survey.known_covered") } };
  const repair = { deck: cols.sums("repair.deck"), day: num("repair.day"), treatment: cols.text("repair.treatment"), area: num("repair.area_m2") };
  Object.assign(net, { survey, repair, surveyAt: starts(survey.deck, n), repairAt: starts(repair.deck, n) });
  const ahead = net.about.stops, m = ahead.length;
  net.nothing = num("ahead.nothing");
  net.nothingLow = num("ahead.low");
  net.nothingHigh = num("ahead.high");
  net.planned = net.nothing.slice();
  net.treated = new Uint8Array(n);
  cols.sums("planned.deck").forEach((deck, k) => {
    net.treated[deck] = 1;
    net.planned.set(num("planned.share").subarray(k * m, (k + 1) * m), deck * m);
  });
  let firstYear = Infinity;
  for (const day of survey.day) firstYear = Math.min(firstYear, yearOfDay(day));
  const now = Number(net.about.today.slice(0, 4));
  net.years = [];
  for (let y = Math.max(firstYear, now - 80); y < now; y++) net.years.push({ kind: "past", year: y, day: dayOfYearEnd(y) });
  net.years.push({ kind: "today" });
  ahead.forEach((year, k) => net.years.push({ kind: "ahead", year, k }));
}

// Row of the last survey of each deck up to a day that states a column; -1 where none does, or where the deck was made anew since.
function lastSurveys(net, day, column) {
  const out = new Int32Array(net.n).fill(-1);
  for (let r = 0; r < net.survey.day.length; r++) {
    if (net.survey.day[r] <= day && (!column || !Number.isNaN(column[r]))) out[net.survey.deck[r]] = r;
  }
  if (column) {
    for (let r = 0; r < net.repair.day.length; r++) {
      const deck = net.repair.deck[r], at = out[deck];
      if (at >= 0 && net.repair.day[r] <= day && net.repair.day[r] > net.survey.day[at] && ANEW.includes(net.repair.treatment(r))) out[deck] = -1;
    }
  }
  return out;
}

// What cannot wait on a deck at a stop: 2 something is open, 1 all of it is to confirm, 0 nothing. Works of the programme end
// what they deal with, from their year on; of days past the page does not know it.
function actOf(net, i, stop, planned) {
  let most = 0;
  if (stop.kind === "past") return most;
  const { state, ends, doubt } = net.act;
  for (let k = net.actAt[i]; k < net.actAt[i + 1]; k++) {
    const done = stop.kind === "ahead" && planned;
    most = Math.max(most, done && ends[k] <= stop.year ? 0 : done && doubt[k] <= stop.year ? 1 : state[k]);
  }
  return most;
}
const partly = (net, i) => net.covered_share[i] < 0.995 || net.fresh_share[i] < 0.995;

// What a theme shows at a stop: a value a deck in the unit shown, whether it is soft, and the width of its range.
function figuresOf(net, theme, stop, planned) {
  const n = net.n, value = new Float64Array(n).fill(NaN), soft = new Uint8Array(n), wide = new Float64Array(n).fill(NaN);
  const own = (text, word) => { const of = codeOf(text, word); return (i) => (text.code[i] === of || Number.isNaN(text.code[i]) ? 0 : 1); };
  const fill = (column, factor = 1) => { for (let i = 0; i < n; i++) value[i] = column[i] * factor; };
  const span = (low, high, factor) => { for (let i = 0; i < n; i++) wide[i] = (high[i] - low[i]) * factor; };
  const softly = (say) => { for (let i = 0; i < n; i++) soft[i] = say(i); };
  const estimated = own(net.share_from, "survey");
  if (theme.key === "priority") {
    fill(net.priority); span(net.rank_low, net.rank_high, 100 / n); softly(estimated);
  } else if (theme.key === "unsound" && stop.kind === "today") {
    fill(net.share_now, 100); span(net.share_low, net.share_high, 100); softly((i) => (estimated(i) || partly(net, i) ? 1 : 0));
  } else if (theme.key === "unsound" && stop.kind === "ahead") {
    const m = net.about.stops.length;
    softly(estimated);
    for (let i = 0; i < n; i++) {
      const at = i * m + stop.k;
      value[i] = 100 * (planned ? net.planned : net.nothing)[at];
      if (!planned || !net.treated[i]) wide[i] = 100 * (net.nothingHigh[at] - net.nothingLow[at]);
    }
  } else if (theme.key === "delaminated" && stop.kind === "today") {
    fill(net.delaminated_share, 100); softly((i) => (partly(net, i) ? 1 : 0));
  } else if (stop.kind === "past" && (theme.key === "unsound" || theme.key === "delaminated")) {
    const column = net.survey.known[theme.key];
    lastSurveys(net, stop.day, column).forEach((r, i) => {
      if (r < 0) return;
      value[i] = 100 * column[r];
      soft[i] = net.survey.known.covered[r] < 0.995 ? 1 : 0;
    });
  } else if (theme.key === "growth") {
    fill(net.growth_per_yr, 100); span(net.growth_low, net.growth_high, 100); softly(own(net.growth_from, "own surveys"));
  } else if (theme.key === "year") {
    for (let i = 0; i < n; i++) value[i] = stop.kind === "ahead" && net.worksYear[i] > stop.year ? NaN : net.worksYear[i];
  } else if (theme.key === "urgent") {
    fill(net.due_in); softly((i) => (actOf(net, i, stop, planned) === 1 ? 1 : 0));
  }
  else if (theme.key === "sounded" && stop.kind === "past") {
    lastSurveys(net, stop.day, null).forEach((r, i) => { if (r >= 0) value[i] = (stop.day - net.survey.day[r]) / 365.25; });
  } else if (theme.key === "sounded") {
    const day = net.about.day;
    for (let i = 0; i < n; i++) { value[i] = (day - net.survey_day[i]) / 365.25; soft[i] = net.sound_due_day[i] < day ? 1 : 0; }
  } else if (theme.key === "traffic") {
    fill(net.aadt); softly(own(net.aadt_from, "count"));
  }
  const level = new Int8Array(n), rings = new Uint8Array(n), breaks = theme.breaks, [a, b] = theme.doubt;
  for (let i = 0; i < n; i++) {
    level[i] = levelOf(value[i], breaks);
    if (level[i] < 0) soft[i] = 0;
    else if (a !== undefined) rings[i] = wide[i] > b ? 2 : wide[i] > a ? 1 : 0;
  }
  return { value, soft, rings, level };
}
function codeOf(text, word) {
  for (let k = 0; k < text.count; k++) if (text.word(k) === word) return k;
  return -1;
}
// A value on a break belongs to the class above it; a share of 0.1 times 100 may fall a hair short of 10.
function levelOf(value, breaks) {
  if (Number.isNaN(value)) return -1;
  let level = 0;
  for (const limit of breaks) if (value >= limit - 1e-9) level += 1;
  return level;
}
