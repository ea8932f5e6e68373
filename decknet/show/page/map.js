"use strict";

// Puts the page together and keeps what is shown in step with what is chosen.
function openNetwork(map) {
  const about = JSON.parse(byId("about").textContent), lists = [about.first, about.later];
  const view = {
    net: null, map, layer: null, plans: null, base: null, theme: about.themes[0], stop: 0, planned: true, chosen: -1, sharp: 1,
    filter: { words: "", route: "", year: "", treatment: "" }, match: null, shown: null, figures: null, firstView: null,
  };
  const crowd = () => Math.max(0.5, Math.min(1, Math.sqrt(500 / Math.max(1, view.drawnCount)))) * (map.getSize().x < 600 ? 0.8 : 1);
  view.classLook = (level) => {
    const own = level < 0 ? null : view.theme.classes[level];
    return { colour: own && own[1], r: own ? Math.max(2.6, Math.round(own[2] * view.crowd * 2) / 2) : 3.5, size: own ? 0.45 + 0.055 * (own[2] - 0.5) : 0.35, urgent: 0 };
  };
  view.look = (i) => ({ ...view.looks[view.figures.level[i] + 1], soft: view.figures.soft[i], rings: view.ringed ? view.figures.rings[i] : 0, urgent: view.marked ? view.act[i] : 0 });
  view.cellFigure = (cell) => (!cell.known ? NaN : view.theme.pool === "mean" ? cell.sum / cell.known : cell[view.theme.pool]);
  view.cellLook = (cell) => ({ ...view.looks[levelOf(view.cellFigure(cell), view.theme.breaks) + 1], urgent: cell.open ? 2 : cell.unsure ? 1 : 0 });

  // ---- what is shown

  function choose() {  // the filter
    view.match = matches(view);
    view.shown = view.match.map((m, i) => m & view.net.drawn[i]);
    view.drawnCount = view.shown.reduce((sum, v) => sum + v, 0);
  }
  function figure() {  // theme and stop
    const stop = stopOf(view), planned = view.planned && about.planned;
    view.marked = view.theme.key !== "urgent" && stop.kind !== "past";
    view.act = Uint8Array.from({ length: view.net.n }, (_, i) => actOf(view.net, i, stop, planned));
    view.figures = figuresOf(view.net, view.theme, stop, planned);
    dress();
  }
  function dress() {
    view.crowd = crowd();
    view.looks = [-1, ...view.theme.classes.keys()].map((level) => view.classLook(level));
  }
  function draw() {
    view.layer.draw();
    drawLegend(view);
    drawSums(view);
    byId("shown").textContent = [`${view.theme.label} (${view.theme.unit})${stopWords(view)}`, filterWords(view)].filter((t) => t).join("; filter: ");
  }
  function timeBar() {
    const { net, theme } = view, span = theme.span, box = byId("stop"), years = net.years, today = years.findIndex((s) => s.kind === "today");
    const first = span === "all" || span === "past" ? 0 : today, last = span === "all" || span === "ahead" ? years.length - 1 : today;
    view.stop = Math.max(first, Math.min(last, view.stop));
    box.min = first; box.max = last; box.value = view.stop;
    box.disabled = first === last;
    const stop = stopOf(view), words = stopLabel(view, stop);
    byId("when").textContent = words;
    box.setAttribute("aria-valuetext", words + stopWords(view));
    byId("course").hidden = !(about.planned && stop.kind === "ahead" && theme.key === "unsound");
    const why = { past: "as surveys found it; there is no forecast of it", today: "of today only", ahead: "works up to the year chosen" }[span];
    byId("spanned").textContent = first === last ? "This theme is of today only." : why ? capital(why) + "." :
      `From ${years[first].kind === "past" ? `the ${stopLabel(view, years[first])}, as surveys found it,` : "today"} to the ${stopLabel(view, years[last])}, as forecast.`;
  }
  view.setTheme = (key) => {
    const chosen = about.themes.find((t) => t.key === key);
    if (!chosen) return false;
    view.theme = chosen;
    byId("theme").value = key;
    timeBar(); figure(); draw();
    return true;
  };
  view.setStop = (k) => { view.stop = k; timeBar(); figure(); draw(); };
  view.setPlanned = (planned) => {
    view.planned = planned;
    for (const box of document.querySelectorAll("#course input")) box.checked = (box.value === "planned") === planned;
    figure(); draw();
  };
  view.setFilter = (change) => {
    Object.assign(view.filter, change);
    for (const [id, key] of [["words", "words"], ["route", "route"], ["worksyear", "year"], ["treatment", "treatment"]]) if (byId(id).value !== view.filter[key]) byId(id).value = view.filter[key];
    choose(); dress(); draw();
    placeNames(map, view.base.names, view.layer.marks);
  };

  // ---- one deck

  const card = byId("card");
  let back = null;
  function shut() {
    if (card.hidden) return;
    card.hidden = true;
    view.chosen = -1;
    view.layer.draw();
    if (back && back.isConnected) back.focus(); else if (document.body.classList.contains("keys")) map.getContainer().focus();
    back = null;
  }
  view.open = (i, from, centre = false) => {
    if (!view.plans) return;
    back = from ?? back;
    view.chosen = i;
    const close = node("button", "shut", "Close");
    close.type = "button";
    close.addEventListener("click", shut);
    card.replaceChildren(close, deckCard(view, i));
    card.setAttribute("aria-label", "Figures of deck " + view.net.deck_id(i));
    card.hidden = false;
    card.scrollTop = 0;
    view.layer.draw();
    if (view.net.drawn[i]) {  // keep the deck clear of its card
      const at = map.latLngToContainerPoint([view.net.lat[i], view.net.lon[i]]), size = map.getSize(), box = card.getBoundingClientRect();
      const side = size.x > 720, left = side ? box.width + 40 : 30;
      const low = side ? size.y - 30 : Math.max(50, Math.min(size.y - 30, box.top - map.getContainer().getBoundingClientRect().top - 40));
      const aim = (v, from, to) => (v < from ? v - from : v > to ? v - to : 0);
      const middle = [(left - 20 + size.x) / 2, side ? size.y / 2 : low / 2];
      const dx = centre && side ? at.x - middle[0] : aim(at.x, left, size.x - 30), dy = centre || !side ? at.y - middle[1] : aim(at.y, 30, low);
      if (dx || dy) map.panBy([dx, dy], { animate: false });
    }
  };
  view.show = (i, from) => {
    const { net } = view;
    if (map.getSize().x <= 720) byId("chart").scrollIntoView({ block: "start" });
    if (net.drawn[i]) map.setView([net.lat[i], net.lon[i]], closeTo(i), { animate: false });
    view.open(i, from, true);
    card.focus({ preventScroll: true });
  };
  // The zoom at which a deck with a plan fills about a quarter of the map.
  function closeTo(i) {
    if (!view.plans?.has(i)) return DETAIL_ZOOM;
    const metres = map.getSize().x / 4, long = Math.max(view.plans.length[i] || 30, 15);
    return Math.max(DETAIL_ZOOM + 1, Math.min(20, Math.floor(Math.log2(40075016 * Math.cos(view.net.lat[i] * Math.PI / 180) * metres / (256 * long)) * 4) / 4));
  }
  function fromAddress() {  // #deck=NUMBER
    const asked = new URLSearchParams(location.hash.slice(1)).get("deck");
    if (asked === null) return;
    for (let i = 0; i < view.net.n; i++) if (view.net.deck_id(i) === asked) { view.show(i, null); return; }
    shut();
    const close = node("button", "shut", "Close");
    close.addEventListener("click", shut);
    card.replaceChildren(close, node("p", "", `No deck ${asked} in this network: the whole network is shown.`));
    card.hidden = false;
  }

  // ---- pointing

  const tip = L.tooltip({ direction: "top", offset: [0, -10], opacity: 1, interactive: false });
  function tipWords(hit) {
    const { net, theme, figures } = view;
    if (hit.cell) {
      const v = view.cellFigure(hit.cell), plain = theme.key === "year" ? String(v) : digits.number(v, theme.digits);
      return [`${digits.count(hit.cell.count)} decks`, Number.isNaN(v) ? theme.none : `${theme.label}: ${theme.pool === "mean" ? "mean " + plain : "first " + plain} ${theme.key === "year" ? "" : theme.unit}`, hit.cell.open + hit.cell.unsure ? `${digits.count(hit.cell.open + hit.cell.unsure)} to act on${stopOf(view).kind === "today" ? " now" : ""}: ${digits.count(hit.cell.open)} open, ${digits.count(hit.cell.unsure)} to confirm` : ""];
    }
    const i = hit.deck, level = figures.level[i], v = figures.value[i];
    const said = level < 0 ? theme.none : theme.key === "year" ? String(v) : theme.key === "urgent" ? theme.classes[level][0] : `${digits.number(v, theme.digits)} ${theme.unit}`;
    const state = view.act[i] > 1 ? "act now: open" : view.act[i] ? "act now: to confirm" : "";
    return [net.called(i), `${theme.label}: ${said}`, capital(state), hit.shape ? hit.shape.words : ""];
  }
  function point(e) {
    const hit = view.figures && view.layer.under(e.layerPoint);
    map.getContainer().classList.toggle("onDeck", Boolean(hit));
    if (!hit) { map.closeTooltip(tip); return; }
    const [head, ...rest] = tipWords(hit), box = node("div", "", node("b", "", head), ...rest.filter((t) => t).flatMap((t) => [node("br"), t]));
    const at = hit.cell ? map.layerPointToLatLng([hit.cell.px, hit.cell.py]) : hit.shape ? e.latlng : [view.net.lat[hit.deck], view.net.lon[hit.deck]];
    map.openTooltip(tip.setContent(box).setLatLng(at));
  }
  map.on("mousemove", point);
  map.on("mouseout movestart zoomstart", () => map.closeTooltip(tip));
  map.on("click", (e) => {
    const hit = view.figures && view.layer.under(e.layerPoint);
    if (!hit) shut();
    else if (hit.cell) map.setZoomAround(e.latlng, map.getZoom() + 1.5);
    else { view.open(hit.deck, null); if (document.body.classList.contains("keys")) card.focus(); }
  });

  // ---- print view

  function printed(on) {
    view.sharp = on ? 2.5 : 1;
    L.Browser.retina = on || (window.devicePixelRatio || 1) > 1;
    map.invalidateSize({ animate: false, pan: false });
    for (const canvas of [...view.base.renderers, view.layer]) if (map.hasLayer(canvas)) canvas._reset();
    placeNames(map, view.base.names, view.layer.marks);
  }
  let before = null;
  view.paper = (on) => {
    if (on === document.body.classList.contains("print")) return;
    if (on) before = { middle: map.getCenter(), zoom: map.getZoom(), bounds: map.getBounds() };
    document.body.classList.toggle("print", on);
    byId("print").textContent = on ? "Back to the map" : "Print view";
    map.invalidateSize({ animate: false, pan: false });
    if (on) map.fitBounds(before.bounds, { animate: false }); else map.setView(before.middle, before.zoom, { animate: false });
    printed(on);
    const beside = document.querySelector("aside");
    beside.style.zoom = "";
    if (on && beside.scrollHeight > beside.clientHeight) beside.style.zoom = beside.clientHeight / beside.scrollHeight;  // paper does not scroll
    window.scrollTo(0, 0);
  };
  byId("print").addEventListener("click", () => {
    shut();
    view.paper(!document.body.classList.contains("print"));
  });
  byId("toPrinter").addEventListener("click", () => window.print());
  let was = false;
  window.addEventListener("beforeprint", () => { was = document.body.classList.contains("print"); if (!was) view.paper(true); });
  window.addEventListener("afterprint", () => { if (!was) view.paper(false); });

  // ---- controls

  for (const choice of about.themes) {
    const option = node("option", "", choice.label);
    option.value = choice.key;
    byId("theme").append(option);
  }
  byId("theme").addEventListener("change", (e) => view.setTheme(e.target.value));
  byId("stop").addEventListener("input", (e) => view.setStop(Number(e.target.value)));
  for (const box of document.querySelectorAll("#course input")) box.addEventListener("change", () => view.setPlanned(box.value === "planned"));
  let wait = 0;
  byId("words").addEventListener("input", (e) => { clearTimeout(wait); wait = setTimeout(() => view.setFilter({ words: e.target.value.trim() }), view.net.n > 5000 ? 200 : 0); });
  byId("route").addEventListener("change", (e) => view.setFilter({ route: e.target.value }));
  byId("worksyear").addEventListener("change", (e) => view.setFilter({ year: e.target.value }));
  byId("treatment").addEventListener("change", (e) => view.setFilter({ treatment: e.target.value }));
  byId("clear").addEventListener("click", () => view.setFilter({ words: "", route: "", year: "", treatment: "" }));
  document.addEventListener("keydown", (e) => {
    document.body.classList.add("keys");
    if (e.key !== "Escape") return;
    if (!card.hidden) shut(); else if (document.body.classList.contains("print")) view.paper(false);
  });
  document.addEventListener("pointerdown", () => document.body.classList.remove("keys"));
  map.getContainer().setAttribute("aria-label", "Map of the network: arrow keys move it, plus and minus zoom. Decks are listed beside it.");

  // ---- start

  async function start() {
    if (typeof DecompressionStream === "undefined") throw new Error("This browser is too old for the map. Any of the last three years opens it.");
    view.net = firstNetwork(about, await readBlock("first", lists[0]));
    choose(); dress();
    view.base = drawBase(map, view.net);
    timeBar(); figure();
    view.layer = new DecksLayer(view).addTo(map);
    fillFilter(view);
    draw();
    placeNames(map, view.base.names, view.layer.marks);
    L.control.scale({ imperial: false, maxWidth: 140 }).addTo(map);
    if (!view.drawnCount) {
      byId("chart").append(node("p", "empty", view.net.n ? "No deck has a position on record, so none is drawn. Look decks up by number, name or route." : "There is no deck in the records."));
    }
    map.on("moveend", () => { drawLegend(view); placeNames(map, view.base.names, view.layer.marks); });
    new ResizeObserver(() => { map.invalidateSize(); dress(); view.layer.draw(); placeNames(map, view.base.names, view.layer.marks); }).observe(map.getContainer());
    await new Promise((done) => requestAnimationFrame(() => setTimeout(done)));
    view.firstView = performance.now();
    document.documentElement.dataset.firstView = Math.round(view.firstView);
    wholeNetwork(view.net, await readBlock("later", lists[1]));
    view.plans = new Plans(view.net);
    view.stop = view.net.years.findIndex((s) => s.kind === "today");
    timeBar(); figure(); draw();
    document.documentElement.dataset.whole = Math.round(performance.now());
    window.addEventListener("hashchange", fromAddress);
    fromAddress();
  }
  view.ready = start().catch((error) => {
    byId("chart").append(node("p", "empty", error.message));
    console.error(error);
  });

  // ---- for whoever asks from outside

  return Object.assign(view, {
    row: (id) => { for (let i = 0; i < view.net.n; i++) if (view.net.deck_id(i) === id) return i; return -1; },
    marks: () => view.layer.marks.map(([i]) => view.net.deck_id(i)),
    sums: () => sumsOf(view),
    showDeck: (id) => view.show(view.row(id), null),
    pixel: (id) => {
      const i = view.row(id), frame = map.getContainer().getBoundingClientRect(), at = map.latLngToContainerPoint([view.net.lat[i], view.net.lon[i]]);
      return [frame.left + at.x, frame.top + at.y];
    },
  });
}
