"use strict";
// The figures beside the stage, one sheet a tab.
live.sheets = (() => {
  const { $, el, svg, known, plain, signed, shown, said, mm, field } = live.words;
  const TABS = [["now", "Now"], ["points", "Points"], ["curves", "Curves"], ["matters", "1 mm"], ["gaps", "Gaps"], ["map", "Map"], ["plates", "Plates"], ["about", "File"]];
  const pages = {};
  let open = "now";
  const nice = (name) => name.replace(/_/g, " ");
  const colour = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();

  for (const [key, words] of TABS) {
    $("tabs").append(el("button", { type: "button", role: "tab", id: `tab-${key}`, "aria-controls": `page-${key}`, onclick: () => show(key) }, words));
    pages[key] = el("div", { role: "tabpanel", id: `page-${key}`, "aria-labelledby": `tab-${key}`, tabindex: "0" });
    $("pages").append(pages[key]);
  }
  $("tabs").addEventListener("keydown", (event) => {
    const step = { ArrowRight: 1, ArrowLeft: -1 }[event.key];
    if (!step) return;
    const at = TABS.findIndex(([key]) => key === open);
    show(TABS[(at + step + TABS.length) % TABS.length][0]);
    $(`tab-${open}`).focus();
  });
  function show(key) {
    if (key !== open) $("pages").scrollTop = 0;  // a sheet begins at its top
    open = key;
    for (const [name] of TABS) {
      pages[name].hidden = name !== key;
      $(`tab-${name}`).setAttribute("aria-selected", String(name === key));
      $(`tab-${name}`).tabIndex = name === key ? 0 : -1;
    }
    if (key === "curves") live.wire.ask({ do: "curves" });
    if (key === "matters") live.matters.ask();
    if (key === "about") live.files.ask();
    refresh();
    live.view.overlay();
  }

  // --- now -------------------------------------------------------------------------------------

  function now() {
    const { car, pose, axle } = live.state;
    const was = axle.differs && live.view.shown.ghost ? pose.foundReadings : null;
    const named = car.state.pinned ? "pinned" : "as found";
    const body = el("tbody");
    car.quantities.forEach((q, k) => {
      const values = pose.readings[k];
      if (!values.some(known)) return;
      const plus = /\+ |gained|steer/.test(q.meaning), s = shown(q.unit, q.decimals);
      const row = el("tr", { "data-q": q.name }, el("th", { scope: "row", title: `${q.meaning}. ${q.formula}` }, q.label));
      values.forEach((v, side) => {
        const before = was && was[k] && known(was[k][side]) ? el("span", { class: "was" }, `${named} ${(plus ? signed : plain)(was[k][side] * s.by, s.digits)}`) : null;
        row.append(el("td", { class: "num", ...(values.length === 1 ? { colspan: 2 } : {}) }, (plus ? signed : plain)(known(v) ? v * s.by : v, s.digits), " ", el("span", { class: "unit" }, s.unit), before));
      });
      body.append(row);
    });
    const nearest = pose.limits.filter((r) => r.stops && known(r.share)).sort((a, b) => a.share - b.share).slice(0, 4);
    pages.now.replaceChildren(
      el("table", {}, el("thead", {}, el("tr", {}, el("th", { scope: "col" }, "At this pose"), el("th", { class: "num", scope: "col" }, "left"), el("th", { class: "num", scope: "col" }, "right"))), body),
      el("p", { class: "note" }, `Solved for exactly this pose, nothing is mixed. ${axle.steered ? axle.held + "." : ""}`),
      el("h2", {}, "Nearest limits"),
      el("ul", {}, ...nearest.map((r) => el("li", { class: r.margin < 0 ? "warn" : "" }, `${r.side} ${r.name}: ${plain(Math.abs(r.margin) * shown(r.unit, 1).by, shown(r.unit, 1).digits)} ${shown(r.unit, 1).unit} ${r.margin < 0 ? "BEYOND" : "inside"} its limit of ${plain(r.allowed * shown(r.unit, 1).by, 1)}`))));
  }

  // --- points ----------------------------------------------------------------------------------

  const WHEEL = [["camber", "Camber", "deg", 2], ["toe_in", "Toe-in, one wheel", "deg", 3], ["offset", "Rim offset (ET)", "mm", 1], ["spacer", "Spacer", "mm", 1], ["outer_radius", "Tyre outer radius", "mm", 1], ["half_width", "Tyre half width", "mm", 1], ["loaded_radius", "Loaded radius", "mm", 1]];
  const wheelOf = (axle) => ({ ...axle.wheel, loaded_radius: axle.loaded });
  const HOWS = [["made_to_fit", "Parts made to fit", "Parts are made anew to reach the points; camber and toe stay as set."], ["parts_kept", "Parts kept", "Only points on the body move; lengths and knuckle stay, the corner re-assembles at the same wheel height, camber and toe follow."]];
  function points() {
    const { axle, car } = live.state, busy = pages.points.contains(document.activeElement) && document.activeElement.tagName === "INPUT";
    if (busy && pages.points.dataset.axle === axle.name) return refill();
    const snaps = live.state.inch ? [0.254, 0.635, 1.27, 2.54, 6.35] : [0.1, 0.5, 1, 2, 5];
    const how = el("div", { class: "group", role: "group", "aria-label": "What a moved point means" }, ...HOWS.map(([key, words]) => el("button", { type: "button", "aria-pressed": String(live.how() === key), onclick: () => { live.setHow(key); points(); } }, words)));
    const snap = el("select", { id: "snap", onchange: () => live.setSnap(Number(snap.value)) }, ...snaps.map((v) => el("option", { value: v, selected: Math.abs(v - live.snap()) < 1e-9 }, mm(v, live.state.inch ? 2 : 1))));
    const body = el("tbody");
    for (const [name, { at, on }] of Object.entries(axle.points)) {
      const row = el("tr", { "data-point": name, class: movedFrom(axle, name) ? "moved" : "" },
        el("th", { scope: "row" }, el("button", { type: "button", "aria-pressed": String(live.view.selected() === name), title: `on the ${on}`, onclick: () => live.view.select(live.view.selected() === name ? null : name) }, nice(name))));
      for (const k of [0, 1, 2]) row.append(el("td", { class: "num" }, field({ label: `${nice(name)} ${"xyz"[k]}`, value: at[k], unit: "mm", digits: 3, onset: (v) => { const to = [...live.state.axle.points[name].at]; to[k] = v; live.setPoint(name, to, ""); } })));
      body.append(row);
    }
    const named = (label, value, unit, digits, id, onset) => el("tr", { "data-set": id }, el("th", { scope: "row" }, label), el("td", { class: "num" }, field({ label, value, unit, digits, onset })));
    const code = el("input", { type: "text", id: "tyrecode", value: axle.tyreCode || "", placeholder: "225/45R17", "aria-label": "Tyre size code", autocomplete: "off", spellcheck: "false", maxlength: 40 });
    code.addEventListener("change", () => { if (code.value.trim()) live.setTyre(code.value.trim()); });
    const wheel = el("table", { class: "points" }, el("tbody", {}, ...WHEEL.map(([key, label, unit, digits]) => el("tr", { "data-wheel": key }, el("th", { scope: "row" }, `${label} (${shown(unit, digits).unit})`), el("td", { class: "num" }, field({ label, value: wheelOf(axle)[key], unit, digits: digits + 1, onset: (v) => live.setWheel(key, v) })))), el("tr", {}, el("th", { scope: "row" }, "Tyre size code"), el("td", { class: "num" }, code))));
    const links = new Map(axle.links.map(([name, a, b]) => [`${nice(a)} ${nice(b)}`, name]));
    const lengths = el("table", { class: "points" }, el("tbody", {},
      ...axle.links.map(([name, a, b, v]) => named(`${nice(name)}, eye to eye (${shown("mm", 3).unit})`, v, "mm", 3, `length ${name}`, (mm_) => live.setLength(name, mm_))),
      ...axle.lengths.filter(([, a, b]) => !links.has(`${a} ${b}`)).map(([name, a, b, v]) => el("tr", {}, el("th", { scope: "row" }, `${nice(name)}: ${a} to ${b}`), el("td", { class: "num" }, mm(v, 1))))));
    const slots = slotsOf(axle), slotRows = slots.map((one) => named(`${one.words} (${shown("mm", 2).unit}, ${mm(one.range[0], 1, true)} to ${mm(one.range[1], 1, true)})`, slotAt(axle, one), "mm", 3, `slot ${one.words}`, (to) => moveSlot(one, to)));
    pages.points.dataset.axle = axle.name;
    pages.points.replaceChildren(
      el("fieldset", { disabled: !car.writable }, el("legend", {}, "When a point moves"), how, el("p", { class: "note" }, HOWS.find(([key]) => key === live.how())[2])),
      el("div", { class: "row" }, el("label", { for: "snap" }, "Drag in steps of"), el("span", {}, snap)),
      el("p", { class: "note", id: "draghint" }, hint()),
      el("table", { class: "points" }, el("thead", {}, el("tr", {}, el("th", { scope: "col" }, `${axle.side} side, ${shown("mm", 1).unit}`), ...["x ahead", "y left", "z up"].map((w) => el("th", { scope: "col", class: "num" }, w)))), body),
      el("p", { class: "note" }, `${axle.symmetric ? "The other side is the mirror and follows. " : ""}Decimal point or comma.`),
      el("h2", {}, "Wheel and tyre"), wheel, el("p", { class: "note" }, "Toe-in with parts kept screws the tie rod. A tyre's size leaves the wheel centre where it is."),
      el("h2", {}, "Lengths"), lengths, el("p", { class: "note" }, "A link screwed to another length: all parts are kept, wheel height too; camber and toe follow."),
      ...(slots.length ? [el("h2", {}, "Slots"), el("table", { class: "points" }, el("tbody", {}, ...slotRows)), el("p", { class: "note" }, `Counted from where the point stands in ${nice(car.state.base)}; parts kept. The plate is drawn anew round the point.`)] : []));
    if (!car.writable) for (const input of pages.points.querySelectorAll("input")) input.disabled = true;
  }
  /** Slots of the file's adjusters and of its plates, on the side whose points are listed. */
  function slotsOf(axle) {
    const plates_ = (live.state.plates[axle.name] || []).filter((p) => p.slot && axle.points[p.slot.point]).map((p) => ({ words: p.name, points: [p.slot.point], way: axle.side === "right" ? [p.slot.way[0], -p.slot.way[1], p.slot.way[2]] : p.slot.way, range: [-p.slot.each, p.slot.each] }));
    return [...axle.slots.map((s) => ({ ...s, words: nice(s.name) })), ...plates_];
  }
  const slotAt = (axle, slot) => slot.way.reduce((sum, w, k) => sum + w * (axle.points[slot.points[0]].at[k] - axle.zero[slot.points[0]][k]), 0);
  function moveSlot(slot, to) {
    const { axle } = live.state, [low, high] = slot.range;
    if (to < low - 1e-6 || to > high + 1e-6) { live.toast(`${slot.words}: its slot goes from ${mm(low, 1, true)} to ${mm(high, 1, true)}`); points(); return; }
    const by = to - slotAt(axle, slot);
    live.setPoints(Object.fromEntries(slot.points.map((name) => [name, axle.points[name].at.map((v, k) => v + by * slot.way[k])])), "parts_kept");
  }
  const movedFrom = (axle, name) => axle.found[name] && axle.points[name].at.some((v, k) => Math.abs(v - axle.found[name][k]) > 0.005);
  function hint() {
    const name = live.view.selected();
    if (name === null) return "Press a point in the list or the picture. Then drag it along x, y or z, drag the dot itself in the plane that faces you, or use the arrow keys.";
    if (!live.view.canDrag() && live.state.car.writable) return `${nice(name)} moves with the wheel. Its place is the one at ride height: go back to ride height to drag it, or type numbers.`;
    return `${nice(name)} is taken: drag x, y or z, or the dot; arrow keys move it across and up, Page Up and Page Down ahead and back.`;
  }
  /** New numbers into the fields that are not being typed in. */
  function refill() {
    const { axle } = live.state, s = shown("mm", 3);
    for (const row of pages.points.querySelectorAll("tr[data-point]")) {
      const at = axle.points[row.dataset.point].at;
      row.classList.toggle("moved", movedFrom(axle, row.dataset.point));
      row.querySelector("button").setAttribute("aria-pressed", String(live.view.selected() === row.dataset.point));
      [...row.querySelectorAll("input")].forEach((input, k) => { if (input !== document.activeElement) input.value = String(Number((at[k] * s.by).toFixed(s.digits))); });
    }
    const put = (row, v, unit, digits) => { const input = row && row.querySelector("input"), u = shown(unit, digits); if (input && input !== document.activeElement) input.value = String(Number((v * u.by).toFixed(u.digits))); };
    const rows = (name) => pages.points.querySelector(`tr[data-set="${name}"]`);
    for (const [key, , unit, digits] of WHEEL) put(pages.points.querySelector(`tr[data-wheel=${key}]`), wheelOf(axle)[key], unit, digits + 1);
    for (const [name, , , v] of axle.links) put(rows(`length ${name}`), v, "mm", 3);
    for (const one of slotsOf(axle)) put(rows(`slot ${one.words}`), slotAt(axle, one), "mm", 3);
    $("draghint").textContent = hint();
  }

  // --- curves ----------------------------------------------------------------------------------

  let chosen = "camber_deg";
  function curves() {
    const { car, curves: given, pose, axle } = live.state;
    if (!given || given.axle !== axle.name) { pages.curves.replaceChildren(el("p", { class: "note" }, "Reckoning …")); return; }
    const has = (k) => Object.values(given.now).some((way) => way.values[k].flat().some(known));
    const offered = car.quantities.map((q, k) => [q, k]).filter(([, k]) => has(k));
    if (!offered.some(([q]) => q.name === chosen)) chosen = offered[0][0].name;
    const [q, k] = offered.find(([item]) => item.name === chosen);
    const pick = el("select", { id: "pick", onchange: () => { chosen = pick.value; curves(); $("pick").focus(); } }, ...offered.map(([item]) => el("option", { value: item.name, selected: item.name === chosen }, `${item.label} (${shown(item.unit, 0).unit})`)));
    const out = [];
    for (const [way, words] of [["rack", "over steer"], ["travel", "over travel"]])
      if (given.now[way]) out.push(chart(q, given.now[way].at, given.now[way].values[k], given.before && given.before[way].values[k], pose[way], words, way, pose.readings[k]));
    pages.curves.replaceChildren(el("label", { for: "pick" }, "Curve of"), pick, ...out,
      el("p", { class: "note" }, `${q.meaning}. ${q.formula}. ${given.now.travel.values[k].length > 1 ? "Left wheel solid blue, right wheel dashed brown. " : ""}${given.before ? `Thin grey: ${car.state.pinned ? "pinned" : "as found"}. ` : ""}Through the pose shown; every place on it is solved. Where a line ends, the linkage is out of reach.`));
  }
  function niceStep(span) {
    const rough = span / 4, power = 10 ** Math.floor(Math.log10(rough));
    return [1, 2, 5, 10].map((m) => m * power).find((s) => s >= rough);
  }
  function chart(q, inputs, sides, before, nowAt, words, way, reading) {
    const W = 396, H = 190, L = 54, R = 12, T = 12, B = 34, s = shown(q.unit, q.decimals), a = shown("mm", 0);
    const lines = sides.map((line) => line.map((v) => (known(v) ? v * s.by : NaN))), old = (before || []).map((line) => line.map((v) => (known(v) ? v * s.by : NaN)));
    const at = inputs.map((v) => v * a.by), all = [...lines.flat(), ...old.flat()].filter(Number.isFinite);
    const title = el("h2", {}, `${q.label} ${words}`);
    if (!all.length) return el("div", {}, title, el("p", { class: "note" }, "Out of reach all along, or not defined here."));
    let low = Math.min(...all), high = Math.max(...all);
    const least = 2 * 10 ** -s.digits;
    if (high - low < least) { low -= least; high += least; }
    const step = niceStep(high - low);
    low = Math.floor(low / step) * step; high = Math.ceil(high / step) * step;
    const x = (v) => L + ((v - at[0]) / (at[at.length - 1] - at[0])) * (W - L - R), y = (v) => T + ((high - v) / (high - low)) * (H - T - B);
    const item = svg("svg", { viewBox: `0 0 ${W} ${H}`, class: "chart", role: "img", "aria-label": `${q.label} ${words}, from ${plain(Math.min(...all), s.digits)} to ${plain(Math.max(...all), s.digits)} ${s.unit}` });
    for (let v = low; v <= high + step / 2; v += step) item.append(svg("line", { x1: L, x2: W - R, y1: y(v), y2: y(v), class: "g" }), svg("text", { x: L - 6, y: y(v) + 4, "text-anchor": "end" }, v.toFixed(Math.max(0, -Math.floor(Math.log10(step) + 1e-9)))));
    const across = niceStep(at[at.length - 1] - at[0]);
    for (let v = Math.ceil(at[0] / across) * across; v <= at[at.length - 1] + 1e-6; v += across) item.append(svg("line", { x1: x(v), x2: x(v), y1: T, y2: H - B, class: "g" }), svg("text", { x: x(v), y: H - B + 15, "text-anchor": "middle" }, signed(v, across < 1 ? 1 : 0)));
    item.append(svg("text", { x: W - R, y: H - 4, "text-anchor": "end" }, `${way} (${a.unit})`), svg("text", { x: 4, y: H - 4 }, s.unit));
    const path = (line) => { let d = "", pen = false; line.forEach((v, k) => { if (Number.isFinite(v)) { d += `${pen ? "L" : "M"}${x(at[k]).toFixed(1)} ${y(v).toFixed(1)}`; pen = true; } else pen = false; }); return d; };
    for (const line of old) item.append(svg("path", { d: path(line), class: "was" }));
    item.append(svg("line", { x1: x(nowAt * a.by), x2: x(nowAt * a.by), y1: T, y2: H - B, class: "n" }));
    lines.forEach((line, side) => {
      item.append(svg("path", { d: path(line), class: side ? "rr" : "l" }));
      const v = reading[side] * s.by;
      if (Number.isFinite(v)) item.append(svg("circle", { cx: x(nowAt * a.by), cy: Math.min(Math.max(y(v), T), H - B), r: 4.5, class: side ? "dr" : "dl" }));
    });
    return el("div", {}, title, item);
  }

  // --- gaps ------------------------------------------------------------------------------------

  live.gapwords = {
    /** The list with those pairs that are certain by now in it, worst first; the rest as sampled. */
    withSure(old, message) {
      const key = (p) => `${p.side} ${p.a} ${p.b}`, sure_ = new Map(message.sure.map((p) => [key(p), p]));
      const base = old && old.axle === message.axle && !old.old ? old : { kind: "sampled", axle: message.axle, stamp: message.stamp, pairs: [], grid: null };
      const pairs = [...base.pairs.filter((p) => !sure_.has(key(p))), ...message.sure];
      const by = (p) => p.rank[0] * 1e12 + (p.rank[1] === null ? 0 : p.rank[1]);
      return { ...base, kind: "sampled", stamp: message.stamp, pairs: pairs.sort((a, b) => by(a) - by(b)), sure: message.sure.length };
    },
  };
  let every = false;
  const FIRST = 14;
  function sure(g) {
    if (!g.certain) return "Sampled at few poses; between them unknown";
    const c = g.certain;
    if (c.verdict === "contact") return "Certain: they touch inside the limits";
    if (c.verdict === "undecided") return `Undecided: ${c.reason}`;
    return c.verdict === "clear" ? `Certain: nowhere under ${mm(c.low)}` : `Certain: least between ${mm(c.low)} and ${mm(c.high)}`;
  }
  function gaps() {
    const { gaps: g, axle, posed, progress } = live.state;
    const given = g && g.axle === axle.name ? g : null;
    const nowAt = new Map(posed && posed.axle === axle.name ? posed.pairs.map((p) => [`${p.side} ${p.a} ${p.b}`, p]) : []);
    const bar = el("i");
    if (progress && progress.count) bar.style.width = `${(100 * progress.done) / progress.count}%`;
    const certain = given && given.kind === "certified";
    const head = progress && !progress.cancelled
      ? el("div", { class: "row", id: "progress" }, el("span", { class: "bar" }, bar), el("button", { type: "button", onclick: () => live.wire.ask({ do: "cancel" }) }, "Cancel"), el("p", { class: "note" }, progress.compiling ? "Getting ready to measure: only this first time, about 20 s" : progress.what))
      : certain ? null : el("div", { class: "row" }, el("button", { type: "button", class: "strong", onclick: () => live.wire.ask({ do: "measure", axle: live.state.axle.name }) }, "Make certain between the poses"));
    if (!given) { pages.gaps.replaceChildren(...[head, el("p", {}, "Not measured yet: until then every gap is unknown, none is clear.")].filter(Boolean)); return; }
    const bad = given.pairs.filter((p) => p.short).length;
    const rows = given.pairs.slice(0, every ? undefined : FIRST).map((p) => {
      const here = nowAt.get(`${p.side} ${p.a} ${p.b}`);
      const words = p.state === "contact" ? "contact" : p.state === "unknown" ? "unknown" : mm(p.least);
      const at = here ? (here.state === "contact" ? "Contact at this pose. " : here.state === "unknown" ? "Unknown at this pose. " : `${mm(here.gap)} at this pose. `) : "";
      return el("button", { type: "button", class: `gap ${p.state === "unknown" ? "unknown" : p.short ? "bad" : "fine"}`, title: "Go to its worst pose", disabled: p.rack === null, onclick: () => live.goTo(p.rack, p.travel) },
        el("span", { class: "mark", "aria-hidden": "true" }, { contact: "✕", unknown: "?" }[p.state] || (p.short ? "!" : "·")),
        el("span", {}, `${axle.symmetric ? "" : p.side + " "}${p.a} – ${p.b}`), el("span", { class: "least" }, words + (p.wanted === null ? "" : ` (${mm(p.wanted, 0)} wanted)`)),
        el("span", { class: "now" }, `${at}${sure(p)}.`));
    });
    const parts = [head,
      el("p", { class: "note" }, `${given.pairs.length} pairs, worst first${axle.symmetric ? "; left side, the right is its mirror" : ""}; ${bad} touch, fall short or are unknown. ${certain ? "" : given.sure ? `${given.sure} of them certain so far${given.grid ? `, the rest sampled at ${given.grid} poses` : ", others to come"}. ` : `Sampled at ${given.grid} poses. `}Press one to go to its worst pose. “No contact found” is not “safe”.`),
      el("div", {}, ...rows)];
    if (given.pairs.length > FIRST) parts.push(el("button", { type: "button", onclick: () => { every = !every; gaps(); } }, every ? "Show the worst only" : `Show all ${given.pairs.length} pairs`));
    if (given.leftOut) parts.push(el("details", {}, el("summary", {}, `${given.leftOut.length} pairs left out, with the reason`), el("ul", {}, ...given.leftOut.map((o) => el("li", {}, `${axle.symmetric ? "" : o.side + " "}${o.a} – ${o.b}: ${o.reason}`)))));
    pages.gaps.replaceChildren(...parts.filter(Boolean));
  }

  // --- map -------------------------------------------------------------------------------------

  const SHADES = [["inside", "inside every limit"], ["near", "within a quarter of a limit"], ["beyond", "beyond a limit"], ["touch", "parts touch"], ["out", "out of reach"]];
  function tile(kind) {
    const size = { inside: 8, near: 12, beyond: 8, touch: 10, out: 10 }[kind], item = el("canvas", { width: size, height: size }), pen = item.getContext("2d");
    pen.fillStyle = { inside: "#dbe5f1", near: "#f8e0a0", beyond: "#eda29e", touch: "#7c1512", out: "#ffffff" }[kind];
    pen.fillRect(0, 0, size, size);
    pen.strokeStyle = { inside: "#dbe5f1", near: "#b07a10", beyond: "#7c1512", touch: "#ffd9d6", out: "#667386" }[kind];
    pen.lineWidth = kind === "beyond" || kind === "touch" ? 1.8 : 1.1;
    pen.beginPath();
    for (const k of [-1, 0, 1]) { pen.moveTo(k * size, kind === "out" || kind === "touch" ? 0 : size); pen.lineTo((k + 1) * size, kind === "out" || kind === "touch" ? size : 0); }
    if (kind !== "inside") pen.stroke();
    return item;
  }
  const tiles = {};
  const shade = (pen, kind, x, y, w, h) => { pen.fillStyle = pen.createPattern((tiles[kind] = tiles[kind] || tile(kind)), "repeat"); pen.fillRect(x, y, w, h); };
  function map() {
    const { axle, maps, gaps: g, pose } = live.state, given = maps[axle.name];
    if (!given) { pages.map.replaceChildren(el("p", { class: "note" }, "Reckoning …")); return; }
    const flat = given.rack.length < 2, first = flat ? given.travel : given.rack, second = flat ? [0] : given.travel;
    const drawn = el("canvas", { class: "map", id: "map", width: 780, height: flat ? 160 : 560, tabindex: "0", role: "img" }), pen = drawn.getContext("2d");
    const touching = g && g.axle === axle.name && g.touching && g.touching.at;
    const L = 84, R = 740, T = 20, B = drawn.height - 60, w = (R - L) / first.length, h = (B - T) / second.length;
    pen.fillStyle = "#fff"; pen.fillRect(0, 0, drawn.width, drawn.height);
    first.forEach((_, a) => second.forEach((__, b) => {
      const at = flat ? a : a * second.length + b, share = given.share[at];
      const kind = !given.solved[at] ? "out" : touching && touching[at] ? "touch" : share === null || share > 0.25 ? "inside" : share >= 0 ? "near" : "beyond";
      const x0 = Math.round(L + a * w), y0 = Math.round(B - (b + 1) * h);
      shade(pen, kind, x0, y0, Math.round(L + (a + 1) * w) - x0, Math.round(B - b * h) - y0);
    }));
    const ink = "#161d27";
    pen.strokeStyle = ink; pen.lineWidth = 1.5; pen.strokeRect(L, T, R - L, B - T);
    pen.fillStyle = ink; pen.font = "22px system-ui, sans-serif"; pen.textAlign = "center";
    const span = (at) => [at[0], at[at.length - 1]], share = (v, [a, z]) => (z === a ? 0.5 : (v - a) / (z - a));
    for (const v of [first[0], 0, first[first.length - 1]]) pen.fillText(signed(v * shown("mm", 0).by, shown("mm", 0).digits), L + share(v, span(first)) * (R - L), B + 26);
    pen.fillText(`${flat ? "travel, + bump" : "rack, + left"} (${shown("mm", 0).unit})`, (L + R) / 2 + 130, B + 52);
    pen.textAlign = "right";
    if (!flat) { for (const v of [second[0], 0, second[second.length - 1]]) pen.fillText(signed(v * shown("mm", 0).by, shown("mm", 0).digits), L - 8, B - share(v, span(second)) * (B - T) + 8); pen.save(); pen.translate(24, (T + B) / 2 - 70); pen.rotate(-Math.PI / 2); pen.textAlign = "center"; pen.fillText("travel, + bump", 0, 0); pen.restore(); }
    const x = L + share(flat ? pose.travel : pose.rack, span(first)) * (R - L), y = flat ? (T + B) / 2 : B - share(pose.travel, span(second)) * (B - T);
    for (const [width, colour_] of [[7, "#fff"], [3.5, ink]]) { pen.strokeStyle = colour_; pen.lineWidth = width; pen.beginPath(); pen.arc(x, y, 11, 0, 7); pen.stroke(); }
    drawn.addEventListener("click", (event) => {
      const box = drawn.getBoundingClientRect(), px = ((event.clientX - box.left) / box.width) * drawn.width, py = ((event.clientY - box.top) / box.height) * drawn.height;
      const part = (v, low, high) => Math.min(Math.max((v - low) / (high - low), 0), 1), [a, z] = span(first), [c, d] = span(second);
      const across = a + part(px, L, R) * (z - a), up = c + part(B - py, 0, B - T) * (d - c);
      live.goTo(flat ? 0 : across, flat ? across : up);
    });
    drawn.addEventListener("keydown", (event) => {
      const step = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, 1], ArrowDown: [0, -1] }[event.key];
      if (!step) return;
      event.preventDefault();
      live.goTo(live.state.pose.rack + 2 * step[0], live.state.pose.travel + 2 * step[1]);
      requestAnimationFrame(() => $("map") && $("map").focus());
    });
    const words = nearestWords(given);
    drawn.setAttribute("aria-label", `Map of limits over steer and travel; the ring is this pose. Arrow keys move it. ${words}`);
    const had = document.activeElement && document.activeElement.id === "map";
    pages.map.replaceChildren(
      el("ul", { class: "legend" }, ...SHADES.map(([kind, text]) => { const chip = el("canvas", { width: 44, height: 28, "aria-hidden": "true" }); shade(chip.getContext("2d"), kind, 0, 0, 44, 28); return el("li", {}, chip, text); })),
      drawn, el("p", { class: "note" }, `${words} ${touching ? "" : "Touching parts are drawn in once gaps are certain."} Squares are poses that were solved; press a place to go there.`),
      el("h2", {}, "What stops it first"), el("ul", {}, ...given.words.map((text) => el("li", {}, text))),
      el("p", { class: "note" }, "Fit a physical rack stop and a droop limit: never let a joint be the stop."));
    if (had) drawn.focus();
  }
  function nearestWords(given) {
    const { pose } = live.state, near = (at, v) => at.reduce((best, a, k) => (Math.abs(a - v) < Math.abs(at[best] - v) ? k : best), 0);
    const at = near(given.rack, pose.rack) * given.travel.length + near(given.travel, pose.travel);
    return given.solved[at] && given.which[at] >= 0 ? `Tightest at the nearest square: ${given.names[given.which[at]]}.` : "";
  }

  // --- plates ----------------------------------------------------------------------------------

  function plates() {
    const given = live.state.plates[live.state.axle.name];
    if (!given) { pages.plates.replaceChildren(el("p", { class: "note" }, "Drawing …")); return; }
    if (!given.length) { pages.plates.replaceChildren(el("p", {}, "This axle has no plates.")); return; }
    pages.plates.replaceChildren(...given.map((p) => {
      if (p.refused && !p.outline) return el("div", { class: "plate" }, el("h2", {}, p.name), el("p", { class: "warn" }, "Refused: " + p.refused));
      const xs = p.outline.map((v) => v[0]), ys = p.outline.map((v) => v[1]), [x0, x1, y0, y1] = [Math.min(...xs), Math.max(...xs), Math.min(...ys), Math.max(...ys)], m = 0.04 * (x1 - x0);
      const loop = (some) => "M" + some.map(([x, y]) => `${x} ${-y}`).join("L") + "Z";
      const drawn = svg("svg", { viewBox: `${x0 - m} ${-y1 - m} ${x1 - x0 + 2 * m} ${y1 - y0 + 2 * m}`, role: "img", "aria-label": `Outline of ${p.name}` });
      drawn.append(svg("path", { d: [p.outline, ...p.inner].map(loop).join(""), "stroke-width": (x1 - x0) / 300 }));
      const warned = p.verdicts.filter((v) => v.level !== "pass");
      return el("div", { class: "plate" }, el("h2", {}, p.name), drawn,
        el("p", {}, `${mm(p.size[0])} × ${mm(p.size[1])}, ${mm(p.thickness)} ${p.material}, ${p.quantity} pieces, of which ${p.mirrored} mirrored. Tied to: ${p.joints.join(", ") || "no joint"}.`),
        warned.length ? el("ul", {}, ...warned.map((v) => el("li", { class: "warn" }, v.words))) : el("p", { class: "note" }, "Passes the shop's rules for metal round holes; that says nothing about strength."),
        ...p.notes.map((n) => el("p", { class: "note" }, n)));
    }));
  }

  // --- about -----------------------------------------------------------------------------------

  function about() {
    const { car } = live.state;
    const variants = el("select", { id: "variant", disabled: !car.writable, onchange: () => live.chooseVariant(variants.value) }, ...car.state.variants.map(([name, title]) => el("option", { value: name, selected: name === car.state.base }, `${nice(name)}: ${title}`)));
    pages.about.replaceChildren(...[
      el("h2", {}, "File"), el("p", {}, `${car.state.file} in ${car.state.folder}`),
      car.writable ? el("div", { class: "row" }, el("button", { type: "button", id: "another", onclick: () => live.start.show(true) }, "Open another car …")) : null,
      el("div", { class: "row" }, el("button", { type: "button", id: "copylink", onclick: () => live.copyLink() }, "Copy a link to this pose and variant")),
      el("label", { for: "variant" }, "Begin from"), variants,
      car.state.unsaved ? el("p", {}, el("button", { type: "button", onclick: () => live.discard() }, `Put away ${car.state.changes} change${car.state.changes === 1 ? "" : "s"} not saved (undo brings them back)`)) : null,
      ...car.notes.map((n) => el("p", { class: "note" }, n)),
      el("h2", {}, "Meshes"), ...live.mesh.rows(),
      el("h2", {}, "Files of the car as it stands"), ...live.files.rows(),
      el("h2", {}, "Cautions"), el("ul", {}, ...linkview.data.cautions.map((c) => el("li", {}, c))),
      el("h2", {}, "Keys"), el("p", { class: "note" }, "In the picture: arrows turn it, + and − come nearer and go away, A and D steer, W and S bump and droop, space plays. Ctrl+Z undoes, Ctrl+Y does again. On a taken point the arrows move it by one step."),
      el("p", { class: "note" }, "Drawn with three.js (MIT licence). Works without a network; nothing is loaded from outside, nothing leaves this machine.")].filter(Boolean));
  }

  const MAKE = { now, points, curves, matters: () => live.matters.fill(pages.matters), gaps, map, plates, about };
  // A sheet is not built anew under a finger nor under a half-typed number, and the keyboard keeps its place in it.
  let pressed = false, late = false;
  $("pages").addEventListener("pointerdown", () => { pressed = true; });
  for (const what of ["pointerup", "pointercancel"]) window.addEventListener(what, () => setTimeout(() => { pressed = false; if (late) { late = false; refresh(); } }, 0));
  const typing = (item) => item instanceof HTMLInputElement && item.type === "text" && item.value !== item.defaultValue;
  $("pages").addEventListener("focusout", () => setTimeout(() => { if (late && !pressed) { late = false; refresh(); } }, 0));
  const FOCUSED = "button, input, select, summary, a, [tabindex='0']";
  function refresh() {
    if (!live.state.axle || !live.state.pose) return;
    if (pressed || (pages[open].contains(document.activeElement) && typing(document.activeElement))) { late = true; return; }
    const was = document.activeElement, chosen = was instanceof HTMLInputElement && was.type === "text" ? [was.selectionStart, was.selectionEnd] : null;
    const page = pages[open], at = page.contains(document.activeElement) && page !== document.activeElement ? [...page.querySelectorAll(FOCUSED)].indexOf(document.activeElement) : -1;
    MAKE[open]();
    const again = at >= 0 && !page.contains(document.activeElement) && page.querySelectorAll(FOCUSED)[at];
    if (again) again.focus({ preventScroll: true });
    if (again && chosen && again.type === "text") again.setSelectionRange(...chosen);
  }
  for (const [name] of TABS) pages[name].hidden = name !== open;
  return { show, refresh, openTab: () => open, TABS, colour, refreshIf: (...names) => { if (names.includes(open)) refresh(); }, hintAgain: () => { if (open === "points" && $("draghint")) refill(); } };
})();
