"use strict";
// Puts the page together: what comes over the wire goes to stage and sheets, what is done goes out.
(() => {
  const { $, el, mm, signed, plain } = live.words;
  const { wire, view, sheets, state } = live;
  Object.assign(state, { maps: {}, plates: {}, gaps: null, posed: null, curves: null, progress: null });
  const link = new URLSearchParams(location.hash.slice(1));
  let how = "made_to_fit", snap = 1, wanted = { rack: 0, travel: 0, roll: 0 }, started = false;
  Object.assign(live, { how: () => how, snap: () => snap, openTab: () => sheets.openTab(), setHow: (h) => { how = h; }, setSnap: (s) => { snap = s; }, goTo, setPoint, setPoints, setLength, setTyre, setWheel, chooseVariant, discard, selectedChanged, settled: () => wire.pending() === 0 && Boolean(state.pose && state.pose.read) });

  // --- the car ---------------------------------------------------------------------------------

  wire.on("car", (message) => {
    const here = `${message.state.folder} ${message.state.file}`;
    if (state.car && state.opened !== here) { location.replace(location.pathname); return; }  // another car: everything anew
    state.opened = here;
    live.start.hide();
    const old = state.car, axleName = state.axle ? state.axle.name : link.get("axle");
    state.car = message;
    state.axle = message.axles.find((a) => a.name === axleName) || message.axles[0];
    if (old && old.generation !== message.generation) { state.maps = {}; state.plates = {}; state.curves = null; state.gaps = state.gaps && { ...state.gaps, old: true }; }
    document.title = `${message.state.car} – linkview`;
    $("car").textContent = message.state.car;
    const { base, unsaved, changes, pinned, file } = message.state;
    const more = unsaved ? `, ${changes} change${changes === 1 ? "" : "s"} not saved` : "";
    $("state").textContent = `${base.replace(/_/g, " ")}${more} · ${file}${pinned ? ` · pinned: ${pinned}` : ""}${message.writable ? "" : " · only looking"}`;
    $("undo").disabled = !message.state.undo || !message.writable;
    $("redo").disabled = !message.state.redo || !message.writable;
    $("pin").disabled = !message.writable;
    $("pin").setAttribute("aria-pressed", String(Boolean(pinned)));
    $("pin").textContent = pinned ? "Unpin" : "Pin";
    $("save").disabled = !unsaved || !message.writable;
    banner(message.state);
    if (!started) start();
    else if (!old || Object.keys(old.axles.find((a) => a.name === state.axle.name).points).join() !== Object.keys(state.axle.points).join()) view.buildHandles();
    view.applyVisible();
    sheets.refreshIf("points", "about");
  });
  function banner({ changedOnDisk, restored, unsaved, gone }) {
    const parts = [];
    for (const one of gone) parts.push(`${one.name.replace(/_/g, " ")} is left out, neither shown nor measured: its file ${one.file} is gone from ${one.folder}. Drop it on the page again, or take it out on the File sheet. Everything else is kept. `);
    if (changedOnDisk) parts.push("The file was changed on disk since it was opened.", el("button", { type: "button", onclick: () => wire.ask({ do: "reopen" }) }, "Open it again"));
    else if (restored && unsaved && !dismissed) parts.push("Work not saved last time was brought back.", el("button", { type: "button", onclick: () => { dismissed = true; $("banner").hidden = true; } }, "Keep it"), el("button", { type: "button", onclick: discard }, "Put it away"));
    if (lost) return;
    $("banner").replaceChildren(...parts);
    $("banner").hidden = !parts.length;
  }
  let dismissed = false, lost = false;
  wire.on("lost", () => {
    lost = true; stop();
    $("banner").replaceChildren("linkview does not answer: it was stopped, or the connection broke. Trying again … What was changed is kept.");
    $("banner").hidden = false;
    document.documentElement.dataset.connected = "no";
  });
  wire.on("connected", () => { lost = false; $("banner").hidden = true; document.documentElement.dataset.connected = "yes"; if (started) again = true; });
  let again = false;

  function start() {
    started = true;
    $("axles").replaceChildren(...state.car.axles.map((a) => el("button", { type: "button", "data-key": a.name, onclick: () => chooseAxle(a.name) }, a.name[0].toUpperCase() + a.name.slice(1))));
    if (state.car.axles.length > 1) $("axles").append(el("button", { type: "button", "data-key": "whole", "aria-pressed": "false", "aria-label": "Both axles in the picture", onclick: wholeCar }, "Both"));
    $("views").replaceChildren(...Object.keys(view.VIEWS).map((name) => el("button", { type: "button", "data-key": name, onclick: () => { view.lookFrom(name); press("views", name); } }, name)));
    press("views", "Corner");
    buildShown();
    const number = (key) => { const v = Number(link.get(key)); return Number.isFinite(v) ? v : 0; };
    setAxle(state.axle.name);
    wanted = { rack: number("rack"), travel: number("travel"), roll: number("roll") };
    chooseBase(link.get("variant"));
    askPose();
    if (sheets.TABS.some(([key]) => key === link.get("tab"))) sheets.show(link.get("tab")); else sheets.show("now");
  }
  /** The variant of a link, unless work that is not saved would be put away for it. */
  function chooseBase(asked) {
    if (asked && asked !== state.car.state.base && !state.car.state.unsaved && state.car.writable && state.car.state.variants.some(([n]) => n === asked)) wire.ask({ do: "variant", name: asked });
  }
  const press = (group, key) => { for (const b of $(group).children) b.setAttribute("aria-pressed", String(b.dataset.key === key)); };
  function setAxle(name) {
    state.axle = state.car.axles.find((a) => a.name === name);
    state.posed = null; state.curves = null;
    press("axles", name); pressWhole();
    $("steergauge").hidden = !state.axle.steered;
    $("rollgauge").hidden = state.axle.level;
    const { rack, travel } = state.axle;
    $("rack").min = -rack; $("rack").max = rack;
    $("travel").min = travel[0]; $("travel").max = travel[1];
    view.select(null);
    view.buildHandles();
  }
  /** Every axle in the picture; the one chosen before is the one that is steered and read. */
  function wholeCar() {
    view.shown.whole = !view.shown.whole;
    pressWhole();
    view.applyVisible();
    view.lookFrom(view.view());
    askPose();
  }
  function pressWhole() { for (const b of $("axles").children) if (b.dataset.key === "whole") b.setAttribute("aria-pressed", String(view.shown.whole)); }
  function chooseAxle(name) {
    stop();
    setAxle(name);
    state.pose = null;
    wanted = { rack: 0, travel: 0, roll: 0 };
    view.gaps([]);
    view.applyVisible();
    view.lookFrom(view.view());
    askPose();
    wire.ask({ do: "measure", axle: name });
    if (sheets.openTab() === "curves") wire.ask({ do: "curves" });
    if (sheets.openTab() === "about") live.files.ask();
    buildShown();
  }

  // --- the pose --------------------------------------------------------------------------------

  function askPose(inputAt) {
    if (inputAt) askedAt = askedAt || inputAt;
    wire.ask({ do: "pose", axle: state.axle.name, ...wanted, stop: $("stops").checked, ghost: view.shown.ghost, joints: view.shown.joints, whole: view.shown.whole });
  }
  let askedAt = 0, settled = 0;
  wire.on("pose", (message) => {
    if (!state.axle || message.axle !== state.axle.name) return;
    if (again) { again = false; askPose(); }
    const old = state.pose && state.pose.readings ? state.pose : { readings: state.car.quantities.map(() => [null]), limits: [] };
    state.pose = { ...message, readings: old.readings, limits: old.limits, foundReadings: old.foundReadings, read: false };
    // Numbers of another pose or car are not to be read as those of this one.
    if (state.posed && (!same(message, state.posed.at) || state.posed.stamp !== message.generation)) { state.posed = null; view.gaps([]); }
    view.place(message.axle, message.places);
    view.place(`ghost ${message.axle}`, message.ghost);
    if (message.others) view.placeOthers(message.others, message.otherGhosts);
    live.joints.show(view.shown.joints ? message.joints : null);
    view.lines(); view.overlay();
    linkview.redraw();
    if (askedAt) { state.movedAfterMs = performance.now() - askedAt; askedAt = 0; }
    state.moves = (state.moves || 0) + 1;
    if (message.seq === null) Object.assign(wanted, { rack: message.rack, travel: message.travel, roll: message.roll });
    say(message);
    sheets.refreshIf("map");
    sheets.hintAgain();
    document.documentElement.dataset.ready = "yes";
    clearTimeout(settled);
    settled = setTimeout(() => {
      if (!state.pose) return;
      wire.ask({ do: "gaps" });
      if (sheets.openTab() === "curves") wire.ask({ do: "curves" });
      if (sheets.openTab() === "matters") live.matters.ask();
      remember();
    }, 120);
  });
  wire.on("read", (message) => {
    const p = state.pose;
    if (!p || message.axle !== p.axle || message.generation !== p.generation || !same(p, message.at)) return;
    Object.assign(p, { readings: message.readings, limits: message.limits, foundReadings: message.foundReadings, read: true });
    say(p);
    sheets.refreshIf("now", "curves");
  });
  function say(p) {
    for (const id of ["rack", "travel"]) { if (document.activeElement !== $(id) || p.stopped) $(id).value = p[id]; $(`${id}value`).textContent = mm(p[id], 1, true); $(id).setAttribute("aria-valuetext", mm(p[id], 1, true)); }
    $("roll").value = p.roll; $("rollvalue").textContent = `${signed(p.roll, 2)} deg`; $("roll").setAttribute("aria-valuetext", `${signed(p.roll, 2)} deg`);
    const at = state.car.quantities.findIndex((q) => q.name === "steer_deg"), steer = at >= 0 && state.pose.readings ? state.pose.readings[at] : [];
    const turned = state.axle.steered && typeof steer[0] === "number" ? (steer[0] + steer[1]) / 2 : 0;
    const way = !state.axle.steered ? "" : Math.abs(turned) < 0.3 ? "straight ahead, " : `${plain(Math.abs(turned), 1)}° ${turned > 0 ? "left" : "right"}, `;
    const height = Math.abs(p.travel) < 0.05 ? "ride height" : `${mm(Math.abs(p.travel))} ${p.travel > 0 ? "bump" : "droop"}`;
    const ghost = state.axle.differs && view.shown.ghost ? `; pale: ${state.car.state.pinned ? "pinned" : "as found"}` : "";
    $("pose").replaceChildren(way + height, el("small", {}, `${state.axle.name} axle${ghost}`));
    $("stopped").hidden = !p.stopped;
    $("stopped").textContent = p.stopped ? `Stopped: ${p.stopped}.` : "";
  }
  function goTo(rack, travel) {
    stop();
    Object.assign(wanted, { rack, travel, roll: 0 });
    const kept = $("stops").checked;
    $("stops").checked = false;
    askPose();
    $("stops").checked = kept;
  }
  for (const id of ["rack", "travel", "roll"]) {
    $(id).addEventListener("input", (event) => { stop(); wanted[id] = Number($(id).value); askPose(event.timeStamp); });
    $(id).closest(".gauge").addEventListener("wheel", (event) => {
      event.preventDefault(); stop();
      wanted[id] = Math.min(Math.max(wanted[id] - Math.sign(event.deltaY) * (id === "roll" ? 0.1 : 1), Number($(id).min)), Number($(id).max));
      askPose();
    }, { passive: false });
  }
  $("stops").addEventListener("change", () => askPose());
  $("home").addEventListener("click", () => { stop(); wanted = { rack: 0, travel: 0, roll: 0 }; askPose(); });
  let playing = null;
  function stop() {
    playing = null;
    for (const b of document.querySelectorAll(".play")) { b.setAttribute("aria-pressed", "false"); b.textContent = "▶"; }
  }
  function play(id) {
    const same = playing && playing.id === id;
    stop();
    if (same || !state.axle) return;
    const me = (playing = { id }), begun = performance.now(), low = Number($(id).min), high = Number($(id).max);
    const button = document.querySelector(`.play[data-of=${id}]`);
    button.setAttribute("aria-pressed", "true"); button.textContent = "❚❚";
    const frame = (t) => {
      if (playing !== me) return;
      const s = Math.sin(((t - begun) / 6000) * 2 * Math.PI);
      wanted[id] = s > 0 ? s * high : -s * low;
      askPose();
      requestAnimationFrame(frame);
    };
    requestAnimationFrame(frame);
  }
  for (const b of document.querySelectorAll(".play")) b.addEventListener("click", () => play(b.dataset.of));
  $("canvas").addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    const step = { a: ["rack", 2], d: ["rack", -2], w: ["travel", 2], s: ["travel", -2] }[event.key.toLowerCase()];
    if (step) { stop(); wanted[step[0]] = Math.min(Math.max(wanted[step[0]] + step[1], Number($(step[0]).min)), Number($(step[0]).max)); askPose(); }
    if (event.key === " ") { event.preventDefault(); play(state.axle.steered ? "rack" : "travel"); }
  });

  // --- what is heard ---------------------------------------------------------------------------

  wire.on("shapes", (message) => { view.take(message); if (state.axle && message.slot === state.axle.name) { document.documentElement.dataset.shapes = "yes"; buildShown(); } if (state.axle && message.slot === `ghost ${state.axle.name}` && state.pose || state.axle && view.shown.whole && message.axle !== state.axle.name) askPose(); });
  wire.on("curves", (message) => { state.curves = message; state.curvesAt = performance.now(); sheets.refreshIf("curves"); });
  wire.on("sampled", (message) => { if (state.axle && message.pairs && message.axle === state.axle.name) { state.gaps = message; state.sampledAt = performance.now(); sheets.refreshIf("gaps"); } });
  wire.on("certified", (message) => {
    if (!state.axle) return undefined;  // told to all before this page knew its car
    if (message.fault) return live.toast(message.fault);
    if (message.sure) { if (message.axle === state.axle.name && message.stamp === state.car.generation) state.gaps = live.gapwords.withSure(state.gaps, message); return sheets.refreshIf("gaps"); }
    if (message.pairs) { state.progress = null; if (message.axle === state.axle.name) state.gaps = message; }
    else state.progress = message.cancelled || message.superseded ? null : message;
    return sheets.refreshIf("gaps", "map");
  });
  const same = (p, at) => p && ["rack", "travel", "roll"].every((k, i) => Math.abs(p[k] - at[i]) < 1e-9);
  wire.on("posed", (message) => { if (!state.axle || !state.pose || message.axle !== state.axle.name || !message.pairs || !same(state.pose, message.at) || message.stamp !== state.pose.generation) return; state.posed = message; view.gaps(message.pairs); sheets.refreshIf("gaps"); });
  wire.on("whole", (message) => { if (!message.map) return; state.maps[message.axle] = message.map; state.plates[message.axle] = message.plates; sheets.refreshIf("map", "plates", "points"); });
  wire.on("warm", (message) => { state.progress = message.compiling ? message : null; sheets.refreshIf("gaps"); });
  wire.on("notice", (message) => live.toast(message.words));
  wire.on("start", (message) => { $("state").textContent = "no file is open"; live.start.show(message.writable); });
  wire.on("saved", (message) => { $("saving").close(); live.toast(`Saved as ${message.name} in ${message.path}`); });

  // --- changing --------------------------------------------------------------------------------

  let spared = 0;
  function spare() {
    linkview.state.sparing = true;
    clearTimeout(spared);
    spared = setTimeout(() => { linkview.state.sparing = false; }, 700);
  }
  function setPoint(point, at, gesture) {
    state.editedAt = performance.now();
    spare();
    lastTry = { point, at };
    wire.ask({ do: "edit", axle: state.axle.name, how, point, at, gesture });
  }
  function setPoints(points, kind) { wire.ask({ do: "edit", axle: state.axle.name, how: kind, points, gesture: "" }); }
  function setLength(length, value) { wire.ask({ do: "edit", axle: state.axle.name, how, length, value, gesture: "" }); }
  function setTyre(tyre) { wire.ask({ do: "edit", axle: state.axle.name, how, tyre, gesture: "" }); }
  function setWheel(key, value) { wire.ask({ do: "edit", axle: state.axle.name, how, wheel: key, value, gesture: "" }); }
  let lastTry = null;
  wire.on("edited", () => { $("refused").hidden = true; });
  wire.on("refused", (message) => {
    if (message.of === "curves" || message.of === "matters") { if (message.of === "matters") live.matters.refused(message.words); return; }
    if (message.of === "save" && $("saving").open) { $("savefault").textContent = message.words; $("savefault").hidden = false; return; }
    if (live.mesh.refused(message) || live.outline.refused(message) || live.dropped.refused(message) || live.files.refused(message) || live.start.refused(message.words)) return;
    const back = el("button", { type: "button", onclick: () => { $("refused").hidden = true; sheets.refresh(); view.overlay(); } }, message.of === "edit" ? "Back to the last good place" : "All right");
    const words = message.of === "edit" ? "That cannot be built; the last pose that goes together is still shown." : "";
    const lines = message.words.split("\n").slice(0, 3).map((line) => el("p", {}, line));
    $("refused").replaceChildren(...(words ? [el("p", {}, words)] : []), ...lines, back);
    $("refused").hidden = false;
    sheets.refreshIf("points");
  });
  function selectedChanged(name) { if (name !== null && sheets.openTab() !== "points") sheets.show("points"); else sheets.hintAgain(); }
  function chooseVariant(name) { wire.ask({ do: "variant", name }); }
  function discard() { $("banner").hidden = true; wire.ask({ do: "discard" }); }
  $("undo").addEventListener("click", () => wire.ask({ do: "undo" }));
  $("redo").addEventListener("click", () => wire.ask({ do: "redo" }));
  $("pin").addEventListener("click", () => wire.ask({ do: state.car.state.pinned ? "unpin" : "pin" }));
  document.addEventListener("keydown", (event) => {
    if (!(event.ctrlKey || event.metaKey) || event.target.tagName === "INPUT" && event.target.type === "text") return;
    const key = event.key.toLowerCase();
    if (key === "z" || key === "y") { event.preventDefault(); wire.ask({ do: key === "y" || event.shiftKey ? "redo" : "undo" }); }
  });
  $("save").addEventListener("click", () => {
    const { file } = state.car.state, stem = file.replace(/\.toml$/, "");
    const name = el("input", { type: "text", id: "savename", value: "my_change", spellcheck: "false" }), title = el("input", { type: "text", id: "savetitle", maxlength: 200 });
    const target = el("input", { type: "text", id: "savefile", value: `${stem}-my_change.toml`, spellcheck: "false" });
    const into = el("input", { type: "checkbox", id: "saveinto", onchange: () => { target.disabled = into.checked; $("saveask").hidden = !into.checked; } });
    const done = (event) => {
      event.preventDefault();
      wire.ask({ do: "save", name: name.value, title: title.value, file: target.value, ...(into.checked ? { into: "file", agreed: true } : {}) });
      $("savefault").hidden = true;  // it closes once it is saved: what was typed is not lost
    };
    $("saving").replaceChildren(el("form", { onsubmit: done }, el("h2", { id: "savinghead" }, "Save as a variant"),
      el("label", { for: "savename" }, "Name of the variant"), name, el("p", { class: "note" }, "Letters, digits and _"),
      el("label", { for: "savetitle" }, "What it is, in a few words"), title,
      el("label", { for: "savefile" }, "New file, beside the one that is open"), target,
      el("label", { class: "check" }, into, `Or add it at the end of ${file} itself`),
      el("p", { class: "note", id: "saveask", hidden: true }, `${file} will be written: its text stays as it is, the variant is added below.`),
      el("p", { class: "warn", id: "savefault", role: "alert", hidden: true }),
      el("div", { class: "row" }, el("button", { type: "submit", class: "strong" }, "Save"), el("button", { type: "button", onclick: () => $("saving").close() }, "Do not save"))));
    $("saving").showModal();
    name.select();
  });

  // --- what is shown ---------------------------------------------------------------------------

  function buildShown() {
    const check = (label, on, change) => el("label", { class: "check" }, el("input", { type: "checkbox", checked: on, onchange: (event) => change(event.target.checked) }), label);
    const flip = (key) => (on) => { view.shown[key] = on; view.applyVisible(); view.lines(); view.gaps(state.posed ? state.posed.pairs : []); if (key === "ghost" || key === "joints") askPose(); };
    const cut = el("input", { type: "range", id: "cut", min: "-1", max: "1", step: "0.02", value: "1", "aria-label": "Section cut, from the car's left", oninput: () => view.cut(Number(cut.value) > 0.985 ? null : Number(cut.value)) });
    const list = $("shown").querySelector("#parts");
    const scroll = list ? $("shown").scrollTop : 0;
    if (list && list.dataset.axle === state.axle.name && list.childElementCount === view.names().length) return;
    $("shown").replaceChildren(
      check(state.car.state.pinned ? "Pinned state, pale" : "As found, pale", view.shown.ghost, flip("ghost")), check("Steering axes and contact", view.shown.axes, flip("axes")), check("Joint axes, what they allow", view.shown.joints, flip("joints")), check("Gaps that fall short", view.shown.gaps, flip("gaps")),
      el("h3", {}, "Section cut"), cut, el("h3", {}, "Parts"),
      el("div", { id: "parts", "data-axle": state.axle.name }, ...view.names().map((name) => check(name, !view.hidden.has(name), (on) => { if (on) view.hidden.delete(name); else view.hidden.add(name); view.applyVisible(); }))));
    $("shown").scrollTop = scroll;
  }
  $("units").addEventListener("click", () => {
    state.inch = !state.inch;
    $("units").textContent = state.inch ? "inch" : "mm";
    $("units").setAttribute("aria-label", state.inch ? "inch: press for millimetres" : "mm: press for inches");
    if (state.pose) say(state.pose);
    sheets.refresh();
    view.overlay();
  });
  const dark = (on) => { document.documentElement.dataset.theme = on ? "dark" : "light"; try { localStorage.setItem("linkview theme", on ? "dark" : "light"); } catch { /* kept for this page only */ } sheets.refresh(); };
  let kept = null;
  try { kept = localStorage.getItem("linkview theme"); } catch { /* none kept */ }
  dark(kept ? kept === "dark" : matchMedia("(prefers-color-scheme: dark)").matches);
  $("theme").addEventListener("click", () => dark(document.documentElement.dataset.theme !== "dark"));
  function remember() {
    const p = state.pose, words = new URLSearchParams({ axle: state.axle.name, rack: p.rack.toFixed(2), travel: p.travel.toFixed(2), roll: p.roll.toFixed(2), variant: state.car.state.base, tab: sheets.openTab() });
    history.replaceState(null, "", `#${words}`);
  }
  /** A link put into the address of this page is followed. What is not a number there is 0. */
  window.addEventListener("hashchange", () => {
    if (!started) return;
    const given = new URLSearchParams(location.hash.slice(1)), number = (key) => (Number.isFinite(Number(given.get(key))) ? Number(given.get(key)) : 0);
    const axle = state.car.axles.find((a) => a.name === given.get("axle"));
    if (axle && axle.name !== state.axle.name) chooseAxle(axle.name);
    stop();
    wanted = { rack: number("rack"), travel: number("travel"), roll: number("roll") };
    chooseBase(given.get("variant"));
    askPose();
    if (sheets.TABS.some(([key]) => key === given.get("tab"))) sheets.show(given.get("tab"));
  });
  live.copyLink = async () => {
    remember();
    const told = state.car.state.unsaved ? "Link copied. Changes not saved yet are not in it: save them as a variant first." : "Link copied: it brings back this axle, pose, variant and page.";
    try { await navigator.clipboard.writeText(location.href); live.toast(told); } catch { live.toast("The browser lets nothing be copied here: take the link from its address line."); }
  };
  document.documentElement.dataset.connected = "no";
  wire.open();
})();
