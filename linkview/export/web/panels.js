"use strict";
// The figures beside the stage. Every word from the file goes in as text, never as markup.
(() => {
  const { data, state, numbers, cellOf, mixed, isOpen } = linkview;
  const $ = (id) => document.getElementById(id);
  function el(kind, given = {}, ...children) {
    const item = document.createElement(kind);
    for (const [key, value] of Object.entries(given)) {
      if (key === "class") item.className = value;
      else if (key.startsWith("on")) item.addEventListener(key.slice(2), value);
      else item.setAttribute(key, value);
    }
    item.append(...children.filter((c) => c !== null && c !== undefined));
    return item;
  }
  function svg(kind, given = {}, text) {
    const item = document.createElementNS("http://www.w3.org/2000/svg", kind);
    for (const [key, value] of Object.entries(given)) item.setAttribute(key, value);
    if (text !== undefined) item.textContent = text;
    return item;
  }
  const signed = (v, digits) => {
    if (!Number.isFinite(v)) return "–";
    const words = Math.abs(v).toFixed(digits);
    return Number(words) === 0 ? words : (v < 0 ? "−" : "+") + words;
  };
  const INK = "#161d27", BLUE = "#1b5fae", AMBER = "#8a5c00", RED = "#b3211d";
  const here = (values) => (state.reached ? mixed(values, cellOf(state.axle.stage, state.rack, state.travel)) : NaN);

  // --- the tabs --------------------------------------------------------------------------------

  const TABS = [["now", "Now"], ["curves", "Curves"], ["gaps", "Gaps"], ["limits", "Limits"], ["plates", "Plates"], ["about", "About"]];
  let open = "now";
  const pages = {};
  for (const [key, words] of TABS) {
    const tab = el("button", { type: "button", role: "tab", id: `tab-${key}`, "aria-controls": `page-${key}`, onclick: () => openTab(key) }, words);
    $("tabs").append(tab);
    pages[key] = el("div", { role: "tabpanel", id: `page-${key}`, "aria-labelledby": `tab-${key}`, tabindex: "0" });
    $("pages").append(pages[key]);
  }
  $("tabs").addEventListener("keydown", (event) => {
    const step = { ArrowRight: 1, ArrowLeft: -1 }[event.key];
    if (!step) return;
    const at = TABS.findIndex(([key]) => key === open);
    openTab(TABS[(at + step + TABS.length) % TABS.length][0]);
    $(`tab-${open}`).focus();
  });
  function openTab(key) {
    open = key;
    for (const [name] of TABS) {
      pages[name].hidden = name !== key;
      $(`tab-${name}`).setAttribute("aria-selected", String(name === key));
      $(`tab-${name}`).tabIndex = name === key ? 0 : -1;
    }
    refresh();
  }

  // --- now: the read-outs ----------------------------------------------------------------------

  let cells = [];
  function buildNow() {
    cells = [];
    const body = el("tbody");
    for (const q of state.axle.readings) {
      const row = el("tr", { title: `${q.meaning}. ${q.formula}` }, el("th", { scope: "row" }, q.label));
      q.arrays = q.arrays || q.sides.map(numbers);
      q.arrays.forEach((values) => {
        const number = document.createTextNode("");
        row.append(el("td", { class: "num", ...(q.arrays.length === 1 ? { colspan: 2 } : {}) }, number, " ", el("span", { class: "unit" }, q.unit)));
        cells.push([number, values, q.decimals, /\+ |gained|steer/.test(q.meaning)]);
      });
      body.append(row);
    }
    const head = el("thead", {}, el("tr", {}, el("th", { scope: "col" }, "At this pose"), el("th", { class: "num", scope: "col" }, "left"), el("th", { class: "num", scope: "col" }, "right")));
    pages.now.replaceChildren(
      el("table", {}, head, body),
      el("p", { class: "note", id: "tightest" }),
      el("p", { class: "note" }, `${state.axle.steered ? state.axle.held + ". " : ""}Figures between solved poses are mixed from their neighbours; About says how far off that can be.`),
    );
  }
  function refreshNow() {
    for (const [node, values, digits, plus] of cells) node.data = plus ? signed(here(values), digits) : signed(here(values), digits).replace("+", "");
    $("tightest").textContent = tightestWords();
  }

  // --- curves ----------------------------------------------------------------------------------

  let chosen = null;
  function buildCurves() {
    const pick = el("select", { id: "pick", onchange: () => { chosen = pick.value; refreshCurves(); } },
      ...state.axle.readings.map((q) => el("option", { value: q.name }, `${q.label} (${q.unit})`)));
    chosen = state.axle.readings.some((q) => q.name === chosen) ? chosen : state.axle.readings.some((q) => q.name === "camber_deg") ? "camber_deg" : state.axle.readings[0]?.name;
    if (chosen) pick.value = chosen;
    pages.curves.replaceChildren(el("label", { for: "pick" }, "Curve of"), pick, el("div", { id: "charts" }));
  }
  function refreshCurves() {
    const q = state.axle.readings.find((item) => item.name === chosen);
    if (!q) return;
    const { stage } = state.axle;
    const out = [];
    if (stage.rack.length > 1) out.push(chart(q, stage.rack, (v) => [v, state.travel], state.rack, `over the rack, travel ${signed(state.travel, 1)} mm`, "rack (mm)"));
    out.push(chart(q, stage.travel, (v) => [state.rack, v], state.travel, `over travel, rack ${signed(state.rack, 1)} mm`, "travel (mm)"));
    out.push(el("p", { class: "note" }, `${q.meaning}. ${q.formula}. ${q.arrays.length > 1 ? "Left wheel solid blue, right wheel dashed brown." : ""} Where a line ends, the linkage is out of reach.`));
    $("charts").replaceChildren(...out);
  }
  function niceStep(span) {
    const rough = span / 4, power = 10 ** Math.floor(Math.log10(rough));
    return [1, 2, 5, 10].map((k) => k * power).find((s) => s >= rough);
  }
  function chart(q, at, poseOf, now, words, axisWords) {
    const W = 380, H = 190, L = 52, R = 12, T = 12, B = 34;
    const lines = q.arrays.map((values) => at.map((v) => {
      const cell = cellOf(state.axle.stage, ...poseOf(v));
      return isOpen(state.axle.stage, cell) ? mixed(values, cell) : NaN;
    }));
    const all = lines.flat().filter(Number.isFinite);
    const item = svg("svg", { viewBox: `0 0 ${W} ${H}`, class: "chart", role: "img", "aria-label": `${q.label} ${words}: from ${signed(Math.min(...all), q.decimals)} to ${signed(Math.max(...all), q.decimals)} ${q.unit}` });
    const title = el("h2", {}, `${q.label} ${words}`);
    if (!all.length) return el("div", {}, title, el("p", { class: "note" }, "Out of reach all along, or not defined here."));
    let low = Math.min(...all), high = Math.max(...all);
    const least = 2 * 10 ** -q.decimals;
    if (high - low < least) { low -= least; high += least; }
    const step = niceStep(high - low);
    low = Math.floor(low / step) * step; high = Math.ceil(high / step) * step;
    const x = (v) => L + ((v - at[0]) / (at[at.length - 1] - at[0])) * (W - L - R);
    const y = (v) => T + ((high - v) / (high - low)) * (H - T - B);
    for (let v = low; v <= high + step / 2; v += step) {
      item.append(svg("line", { x1: L, x2: W - R, y1: y(v), y2: y(v), stroke: "#d5dce6" }));
      item.append(svg("text", { x: L - 6, y: y(v) + 4, "text-anchor": "end" }, v.toFixed(Math.max(0, -Math.floor(Math.log10(step))))));
    }
    const across = niceStep(at[at.length - 1] - at[0]);
    for (let v = Math.ceil(at[0] / across) * across; v <= at[at.length - 1] + 1e-6; v += across) {
      item.append(svg("line", { x1: x(v), x2: x(v), y1: T, y2: H - B, stroke: "#e4e9f0" }));
      item.append(svg("text", { x: x(v), y: H - B + 15, "text-anchor": "middle" }, signed(v, 0)));
    }
    item.append(svg("text", { x: W - R, y: H - 4, "text-anchor": "end" }, axisWords), svg("text", { x: 4, y: H - 4 }, q.unit));
    item.append(svg("line", { x1: x(now), x2: x(now), y1: T, y2: H - B, stroke: INK, "stroke-width": 1.2 }));
    lines.forEach((line, side) => {
      let path = "", pen = false;
      line.forEach((v, k) => { if (Number.isFinite(v)) { path += `${pen ? "L" : "M"}${x(at[k]).toFixed(1)} ${y(v).toFixed(1)}`; pen = true; } else pen = false; });
      item.append(svg("path", { d: path, fill: "none", stroke: side ? AMBER : BLUE, "stroke-width": 2.4, ...(side ? { "stroke-dasharray": "6 4" } : {}) }));
      const v = here(q.arrays[side]);
      if (Number.isFinite(v)) item.append(svg("circle", { cx: x(now), cy: Math.min(Math.max(y(v), T), H - B), r: 4.5, fill: side ? AMBER : BLUE, stroke: "#fff", "stroke-width": 1.5 }));
    });
    return el("div", {}, title, item);
  }

  // --- gaps ------------------------------------------------------------------------------------

  let gapRows = [], all = false;
  const FIRST = 14;
  function gapNow(gap, cell) {
    let sum = 0;
    for (const [at, w] of cell.corners) {
      const known = gap.statesAt[at];
      if (known === 2) return "unknown at this pose";
      if (known === 1 || gap.gapAt[at] <= 0) return "contact at this pose or next to it";
      sum += w * gap.gapAt[at];
    }
    return `about ${sum.toFixed(1)} mm at this pose`;
  }
  const leastWords = (gap) => gap.state === "unknown" ? "unknown" : gap.state === "contact" ? "contact" : `${gap.least.toFixed(1)} mm`;
  function buildGaps() {
    const { gaps } = state.axle;
    gapRows = [];
    if (!gaps.measured) { pages.gaps.replaceChildren(el("p", {}, "Gaps were not measured for this page; none is known to be clear.")); return; }
    const short = gaps.pairs.filter((g) => g.short).length;
    const list = el("div");
    for (const gap of gaps.pairs.slice(0, all ? undefined : FIRST)) {
      gap.gapAt = gap.gapAt || numbers(gap.gap); gap.statesAt = gap.statesAt || numbers(gap.states);
      gap.tag = `${gap.a} – ${gap.b}: ${leastWords(gap)}`;
      const kind = gap.state === "unknown" ? "unknown" : gap.short ? "bad" : "fine";
      const mark = { contact: "✕", unknown: "?" }[gap.state] || (gap.short ? "!" : "·");
      const wanted = gap.wanted === null ? "" : ` (${gap.wanted} wanted)`;
      const now = el("span", { class: "now" });
      const row = el("button", { type: "button", class: `gap ${kind}`, "aria-pressed": "false", title: gap.words, onclick: () => { stop(); if (state.gap === gap) linkview.clearGap(); else linkview.showGap(gap); setSliders(); linkview.setPose(state.rack, state.travel); } },
        el("span", { class: "mark", "aria-hidden": "true" }, mark),
        el("span", { class: "pair" }, `${gaps.mirror ? "" : gap.side + " "}${gap.a} – ${gap.b}`),
        el("span", { class: "least" }, leastWords(gap) + wanted), now);
      gapRows.push([gap, row, now]);
      list.append(row);
    }
    const parts = [
      el("p", { class: "note" }, `${gaps.pairs.length} pairs measured at ${gaps.rack.length} × ${gaps.travel.length} poses of the whole grid, worst first${gaps.mirror ? "; left side, the right is its mirror" : ""}. ${short} touch, fall short or are unknown. Press one to go to its worst pose. “No contact found” is not “safe”.`),
      list];
    if (gaps.pairs.length > FIRST) parts.push(el("button", { type: "button", onclick: () => { all = !all; buildGaps(); refreshGaps(); } }, all ? "Show the worst only" : `Show all ${gaps.pairs.length} pairs`));
    const left = el("details", {}, el("summary", {}, `${gaps.leftOut.length} pairs left out, with the reason`), el("ul", {}, ...gaps.leftOut.map((o) => el("li", {}, `${gaps.mirror ? "" : o.side + " "}${o.a} – ${o.b}: ${o.reason}`))));
    pages.gaps.replaceChildren(...parts, left);
  }
  function refreshGaps() {
    const cell = cellOf(state.axle.gaps, state.rack, state.travel);
    for (const [gap, row, now] of gapRows) {
      now.textContent = `${state.reached ? gapNow(gap, cell) : "out of reach: unknown"}. Sure: ${gap.sure}.`;
      row.setAttribute("aria-pressed", String(state.gap === gap));
    }
  }

  // --- limits ----------------------------------------------------------------------------------

  function limitArrays() {
    const { limits } = state.axle;
    if (!limits.ready) { for (const item of limits.items) item.at = numbers(item.margin); limits.solvedAt = numbers(limits.solved); limits.ready = true; }
    return limits;
  }
  function tightest(at) {
    let best = null;
    for (const item of limitArrays().items) {
      const share = item.at[at] / item.full;
      if (item.stops && Number.isFinite(share) && (!best || share < best.share)) best = { item, share, margin: item.at[at] };
    }
    return best;
  }
  function nearestNode() {
    const { rack, travel } = state.axle.gaps;
    const pick = (at, v) => at.reduce((best, a, k) => (Math.abs(a - v) < Math.abs(at[best] - v) ? k : best), 0);
    return pick(rack, state.rack) * travel.length + pick(travel, state.travel);
  }
  const limitWords = ({ item, margin }) => `${item.side} ${item.name}: ${Math.abs(margin).toFixed(1)} ${item.unit} ${margin < 0 ? "BEYOND" : "inside"} its limit of ${item.allowed} ${item.unit}`;
  function tightestWords() {
    const found = tightest(nearestNode());
    return found && state.reached ? `Nearest limit, at the nearest measured pose: ${limitWords(found)}.` : "";
  }
  const SHADES = [["inside", "well inside every limit"], ["near", "within a quarter of a limit"], ["beyond", "beyond a limit"], ["out", "out of reach"]];
  const tiles = {};
  function tileOf(kind) {
    if (tiles[kind]) return tiles[kind];
    const size = { inside: 8, near: 12, beyond: 8, out: 10 }[kind], tile = el("canvas", { width: size, height: size }), pen = tile.getContext("2d");
    pen.fillStyle = { inside: "#dbe5f1", near: "#f8e0a0", beyond: "#eda29e", out: "#ffffff" }[kind];
    pen.fillRect(0, 0, size, size);
    pen.strokeStyle = { inside: "#dbe5f1", near: "#b07a10", beyond: "#7c1512", out: "#667386" }[kind];
    pen.lineWidth = kind === "beyond" ? 1.8 : 1.1;
    const up = kind !== "out";
    pen.beginPath();
    for (const k of [-1, 0, 1]) { pen.moveTo(k * size, up ? size : 0); pen.lineTo((k + 1) * size, up ? 0 : size); }
    if (kind !== "inside") pen.stroke();
    return (tiles[kind] = tile);
  }
  function shade(pen, kind, x, y, w, h) { pen.fillStyle = pen.createPattern(tileOf(kind), "repeat"); pen.fillRect(x, y, w, h); }
  let map = null;
  function buildLimits() {
    const { limits, gaps } = state.axle;
    const flat = gaps.rack.length < 2;
    map = el("canvas", { class: "map", width: 760, height: flat ? 150 : 520, role: "img", id: "map" });
    map.addEventListener("click", (event) => {
      const box = map.getBoundingClientRect(), s = map.scale;
      const x = ((event.clientX - box.left) / box.width) * map.width, y = ((event.clientY - box.top) / box.height) * map.height;
      const share = (v, low, high) => Math.min(Math.max((v - low) / (high - low), 0), 1);
      const across = s.first[0] + share(x, s.left, s.right) * (s.first[1] - s.first[0]);
      const up = flat ? 0 : s.second[0] + share(s.bottom - y, 0, s.bottom - s.top) * (s.second[1] - s.second[0]);
      linkview.setPose(flat ? 0 : across, flat ? across : up);
      setSliders();
    });
    pages.limits.replaceChildren(
      el("h2", {}, flat ? "Limits over travel" : "Limits over steer and travel"),
      el("ul", { class: "legend" }, ...SHADES.map(([kind, words]) => {
        const chip = el("canvas", { width: 44, height: 28, "aria-hidden": "true" });
        shade(chip.getContext("2d"), kind, 0, 0, 44, 28);
        return el("li", {}, chip, words);
      })),
      map, el("p", { class: "note", id: "limitnow" }),
      el("h2", {}, "What stops it first"), el("ul", {}, ...limits.words.map((w) => el("li", {}, w))),
      el("p", { class: "note" }, "Squares are poses that were solved; between two of them a limit can be met. Fit a physical rack stop and a droop limit: never let a joint be the stop."));
  }
  function refreshLimits() {
    const { gaps } = state.axle, limits = limitArrays(), pen = map.getContext("2d");
    const flat = gaps.rack.length < 2, first = flat ? gaps.travel : gaps.rack, second = flat ? [0] : gaps.travel;
    const L = 74, R = 716, T = 22, B = map.height - 60, w = (R - L) / first.length, h = (B - T) / second.length;
    map.scale = { left: L, right: R, top: T, bottom: B, first: [first[0], first[first.length - 1]], second: [second[0], second[second.length - 1]] };
    pen.fillStyle = "#fff"; pen.fillRect(0, 0, map.width, map.height);
    first.forEach((_, a) => second.forEach((__, b) => {
      const at = flat ? a : a * second.length + b;
      const found = tightest(at);
      const kind = !limits.solvedAt[at] ? "out" : !found || found.share > 0.25 ? "inside" : found.share >= 0 ? "near" : "beyond";
      const x0 = Math.round(L + a * w), y0 = Math.round(B - (b + 1) * h);
      shade(pen, kind, x0, y0, Math.round(L + (a + 1) * w) - x0, Math.round(B - b * h) - y0);
    }));
    pen.strokeStyle = INK; pen.lineWidth = 1.5; pen.strokeRect(L, T, R - L, B - T);
    pen.fillStyle = INK; pen.font = "22px system-ui, sans-serif";
    const ends = (at, put) => [at[0], 0, at[at.length - 1]].forEach((v) => put(v, (v - at[0]) / (at[at.length - 1] - at[0] || 1)));
    pen.textAlign = "center";
    ends(first, (v, s) => pen.fillText(signed(v, 0), L + s * (R - L), B + 26));
    pen.fillText(flat ? "travel (mm), + bump" : "rack (mm), + left", (L + R) / 2 + 90, B + 50);
    pen.textAlign = "right";
    if (!flat) { ends(second, (v, s) => pen.fillText(signed(v, 0), L - 8, B - s * (B - T) + 8)); pen.save(); pen.translate(20, (T + B) / 2 - 60); pen.rotate(-Math.PI / 2); pen.textAlign = "center"; pen.fillText("travel (mm)", 0, 0); pen.restore(); }
    const share = (v, at) => (at.length < 2 ? 0.5 : (v - at[0]) / (at[at.length - 1] - at[0]));
    const x = L + share(flat ? state.travel : state.rack, first) * (R - L), y = flat ? (T + B) / 2 : B - share(state.travel, second) * (B - T);
    pen.strokeStyle = "#fff"; pen.lineWidth = 7; pen.beginPath(); pen.arc(x, y, 11, 0, 7); pen.stroke();
    pen.strokeStyle = INK; pen.lineWidth = 3.5; pen.beginPath(); pen.arc(x, y, 11, 0, 7); pen.stroke();
    const words = tightestWords() || "This pose is out of reach.";
    $("limitnow").textContent = words;
    map.setAttribute("aria-label", `Map of the limits; the ring is this pose. ${words}`);
  }

  // --- plates ----------------------------------------------------------------------------------

  function buildPlates() {
    const { plates } = state.axle;
    if (!plates.length) { pages.plates.replaceChildren(el("p", {}, "This axle has no plates.")); return; }
    pages.plates.replaceChildren(...plates.map((p) => {
      if (p.refused) return el("div", { class: "plate" }, el("h2", {}, p.name), el("p", { class: "warn" }, "Refused: " + p.refused));
      const xs = p.outline.map((v) => v[0]), ys = p.outline.map((v) => v[1]);
      const [x0, x1, y0, y1] = [Math.min(...xs), Math.max(...xs), Math.min(...ys), Math.max(...ys)], m = 0.04 * (x1 - x0);
      const loop = (points) => "M" + points.map(([x, y]) => `${x} ${-y}`).join("L") + "Z";
      const drawn = svg("svg", { viewBox: `${x0 - m} ${-y1 - m} ${x1 - x0 + 2 * m} ${y1 - y0 + 2 * m}`, role: "img", "aria-label": `Outline of ${p.name}, ${p.size[0]} by ${p.size[1]} mm` });
      drawn.append(svg("path", { d: [p.outline, ...p.inner].map(loop).join(""), fill: "#bcd9d1", stroke: INK, "stroke-width": (x1 - x0) / 300, "fill-rule": "evenodd" }));
      const warned = p.verdicts.filter((v) => v.level !== "pass");
      return el("div", { class: "plate" }, el("h2", {}, p.name), drawn,
        el("p", {}, `${p.size[0].toFixed(1)} × ${p.size[1].toFixed(1)} mm, ${p.thickness} mm ${p.material}, ${p.quantity} pieces, of which ${p.mirrored} mirrored. Tied to: ${p.joints.join(", ") || "no joint"}.`),
        warned.length ? el("ul", {}, ...warned.map((v) => el("li", { class: "warn" }, v.words))) : el("p", { class: "note" }, "Passes the shop's rules for metal round holes; that says nothing about strength."),
        ...p.notes.map((n) => el("p", { class: "note" }, n)));
    }));
  }

  // --- about -----------------------------------------------------------------------------------

  function buildAbout() {
    const { axle } = state;
    pages.about.replaceChildren(
      el("h2", {}, "Cautions"), el("ul", {}, ...data.cautions.map((c) => el("li", {}, c))),
      el("h2", {}, "How true the picture is"),
      el("p", {}, axle.gridWords),
      el("p", { class: "note" }, data.plainly),
      el("table", {}, el("thead", {}, el("tr", {}, el("th", { scope: "col" }, "Figure between solved poses"), el("th", { scope: "col", class: "num" }, "off by at most"))),
        el("tbody", {}, ...axle.readings.map((q) => el("tr", {}, el("th", { scope: "row" }, q.label), el("td", { class: "num" }, `${q.off} ${q.unit}`))))),
      el("p", { class: "note" }, "Found half-way between all solved poses. Exact figures are in the tables that belong to this page."),
      el("h2", {}, "What this was made from"),
      el("p", {}, `linkview ${data.version}, ${data.state}. ${data.measured}`),
      ...data.changes.map((c) => el("p", { class: "note" }, c)),
      el("ul", {}, ...data.sources.map(([name, sum]) => el("li", {}, `${name}: `, el("code", {}, `SHA-256 ${sum}`)))),
      el("p", { class: "note" }, "Drawn with three.js (MIT licence, kept inside this file). Works without a network and asks for nothing from outside."));
  }

  // --- sliders and switches --------------------------------------------------------------------

  function setSliders() { $("rack").value = state.rack; $("travel").value = state.travel; }
  const words = (v, what) => `${signed(v, 1)} mm${what ? " " + what : ""}`;
  function refresh() {
    $("rackvalue").textContent = words(state.rack, "");
    $("travelvalue").textContent = words(state.travel, "");
    $("rack").setAttribute("aria-valuetext", words(state.rack, ""));
    $("travel").setAttribute("aria-valuetext", words(state.travel, ""));
    const steer = state.axle.readings.find((q) => q.name === "steer_deg");
    const turned = steer && state.axle.steered ? here(steer.arrays[0]) : 0;
    const way = !state.axle.steered ? "" : !state.reached ? "" : Math.abs(turned) < 0.3 ? "straight ahead, " : turned > 0 ? "turned left, " : "turned right, ";
    const height = Math.abs(state.travel) < 0.05 ? "ride height" : `${Math.abs(state.travel).toFixed(1)} mm ${state.travel > 0 ? "bump" : "droop"}`;
    $("pose").replaceChildren(way + height, el("small", {}, `${state.axle.name} axle – ${data.state}${state.axle.ghost && state.ghost && !state.gap ? "; pale blue: as found" : ""}`));
    $("beyond").hidden = state.reached;
    if (!state.reached) {
      const reason = state.axle.limits.reasons[reasonKey()] || "so near full reach that the parts move too fast to be drawn truly; the tables give the edge";
      $("beyond").textContent = `Out of reach at rack ${words(state.rack, "")}, travel ${words(state.travel, "")}: ${reason}. The last pose within reach is shown pale.`;
    }
    ({ now: refreshNow, curves: refreshCurves, gaps: refreshGaps, limits: refreshLimits }[open] || (() => {}))();
  }
  function reasonKey() {
    const wide = state.axle.gaps.travel.length, at = nearestNode();
    return `${Math.floor(at / wide)},${at % wide}`;
  }
  for (const id of ["rack", "travel"])
    $(id).addEventListener("input", (event) => { stop(); linkview.setPose(Number($("rack").value), Number($("travel").value), event.timeStamp); });
  $("home").addEventListener("click", () => { stop(); linkview.clearGap(); linkview.setPose(0, 0); setSliders(); linkview.lookFrom(state.axle.views[0].from); });

  let playing = null;
  function stop() { playing = null; for (const id of ["playrack", "playtravel"]) { $(id).setAttribute("aria-pressed", "false"); $(id).textContent = "▶"; } }
  function play(id) {
    const again = playing && playing.id === id;
    stop();
    if (again) return;
    const start = performance.now(), me = (playing = { id });
    $(`play${id}`).setAttribute("aria-pressed", "true"); $(`play${id}`).textContent = "❚❚";
    const at = state.axle.stage[id], low = at[0], high = at[at.length - 1];
    const frame = (now) => {
      if (playing !== me) return;
      const s = Math.sin(((now - start) / 1000 / 5) * 2 * Math.PI), v = s > 0 ? s * high : -s * low;
      linkview.setPose(id === "rack" ? v : state.rack, id === "travel" ? v : state.travel);
      setSliders();
      requestAnimationFrame(frame);
    };
    requestAnimationFrame(frame);
  }
  $("playrack").addEventListener("click", () => play("rack"));
  $("playtravel").addEventListener("click", () => play("travel"));

  function toggle(group, items, press) {
    $(group).replaceChildren(...items.map(([key, label]) => el("button", { type: "button", "data-key": key, "aria-pressed": "false", onclick: () => press(key) }, label)));
  }
  const press = (group, key) => { for (const b of $(group).children) b.setAttribute("aria-pressed", String(b.dataset.key === key)); };
  function chooseAxle(name) {
    stop();
    linkview.showAxle(name);
    const { axle } = state;
    $("rackgauge").hidden = !axle.steered;
    $("ghostgroup").hidden = !axle.ghost;
    for (const id of ["rack", "travel"]) { $(id).min = axle.stage[id][0]; $(id).max = axle.stage[id][axle.stage[id].length - 1]; }
    setSliders();
    toggle("views", axle.views.map((v) => [v.name, v.name]), (key) => { linkview.lookFrom(axle.views.find((v) => v.name === key).from); press("views", key); });
    press("axles", name); press("views", axle.views[0].name);
    buildNow(); buildCurves(); buildGaps(); buildLimits(); buildPlates(); buildAbout();
    refresh();
  }
  toggle("axles", data.axles.map((a) => [a.name, a.name[0].toUpperCase() + a.name.slice(1)]), chooseAxle);
  $("ghost").addEventListener("click", () => { state.ghost = !state.ghost; $("ghost").setAttribute("aria-pressed", String(state.ghost)); linkview.setPose(state.rack, state.travel); });
  linkview.listeners.push(refresh);
  for (const [name] of TABS) pages[name].hidden = name !== open;
  const started = open;
  linkview.chooseAxle = (name) => { chooseAxle(name); };
  linkview.listeners.length = 0;
  chooseAxle(data.axles[0].name);
  linkview.listeners.push(refresh);
  openTab(started);
  document.documentElement.dataset.ready = "yes";
})();
