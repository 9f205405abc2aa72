"use strict";
// The start screen: open a file, begin from a layout, or see the demo car.
live.start = (() => {
  const { $, el, svg } = live.words;
  const { wire } = live;
  const box = $("start");
  let shelf = null, folder = null, starts = null, chosen = null, typed = "", name = "my_car";

  function show(writable) {
    document.body.classList.add("starting");
    box.hidden = false;
    if (!writable) { box.replaceChildren(el("h2", { id: "starthead" }, "No car is open yet"), el("p", {}, "The builder has not opened a file. It will be shown here.")); return; }
    build();
    wire.ask({ do: "shelf" });
    $("starthead").focus();
  }
  function hide() {
    document.body.classList.remove("starting");
    box.hidden = true;
  }
  const shown = () => !box.hidden;
  /** Words of a refusal, where the start screen is what was used; whether they were taken. */
  function refused(words) {
    if (!shown() || !$("startfault")) return false;
    const lines = words.split("\n");
    const more = lines.length > 40 ? [el("p", {}, `and ${lines.length - 40} more`)] : [];
    $("startfault").replaceChildren(el("p", { class: "headed" }, lines.length > 1 ? `This file has ${lines.length} faults; nothing was opened.` : "Nothing was opened."), ...lines.slice(0, 40).map((line) => el("p", {}, line)), ...more);
    $("startfault").hidden = false;
    $("startfault").scrollIntoView({ block: "nearest" });
    busy(false);
    return true;
  }
  function ask(message) {
    $("startfault").hidden = true;
    busy(true);
    wire.ask(message);
  }
  const busy = (on) => box.setAttribute("aria-busy", String(on));

  function build() {
    const back = live.state.car ? el("button", { type: "button", id: "back", onclick: hide }, `Back to ${live.state.car.state.car}`) : null;
    box.replaceChildren(
      el("div", { class: "welcome" }, el("h2", { id: "starthead", tabindex: "-1" }, "Which car?"), ...[back].filter(Boolean),
        el("p", {}, "One hard-point file is one car, with its planned changes as variants. Yours is never written over.")),
      el("div", { id: "startfault", role: "alert", hidden: true }),
      el("div", { class: "column" }, el("section", { class: "card", "aria-labelledby": "demohead" }, el("h3", { id: "demohead" }, "Look round first"),
        el("div", { class: "row" }, el("button", { type: "button", class: "strong", id: "demo", onclick: () => ask({ do: "demo" }) }, "Open the demo car"), el("p", { class: "note" }, "An invented coupe: high-steer front, five-link rear."))),
      el("section", { class: "card", "aria-labelledby": "openhead" }, el("h3", { id: "openhead" }, "Open a file"), el("div", { id: "recent" }), el("div", { id: "folder" }, el("p", { class: "note" }, "Looking …")))),
      el("section", { class: "card", "aria-labelledby": "newhead" }, el("h3", { id: "newhead" }, "Begin a new car from a layout"), el("div", { id: "layouts" }, el("p", { class: "note" }, "Drawing the layouts …")), el("div", { id: "naming" })));
    fillRecent(); fillFolder(); fillStarts();
  }
  const opener = (path, label, small) => el("button", { type: "button", class: "entry", "data-path": path, onclick: () => ask({ do: "open", path }) }, el("span", {}, label), el("small", {}, small));
  function fillRecent() {
    if (!shelf || !shelf.length || !$("recent")) return;
    $("recent").replaceChildren(el("h4", {}, "Opened lately"), ...shelf.map((r) => opener(r.path, r.name + (r.unsaved ? " · has work not saved" : ""), r.folder)));
  }
  function fillFolder() {
    if (!folder || !$("folder")) return;
    const go = (path) => wire.ask({ do: "folder", path });
    const join = (one) => `${folder.folder.replace(/[\\/]$/, "")}${folder.folder.includes("\\") ? "\\" : "/"}${one}`;
    const place = el("input", { type: "text", id: "place", value: typed || folder.folder, spellcheck: "false", autocomplete: "off", "aria-label": "Folder or file, whole path" });
    const form = el("form", { class: "row", onsubmit: (event) => { event.preventDefault(); typed = ""; const at = place.value.trim(); if (/\.toml$/i.test(at)) ask({ do: "open", path: at }); else go(at); } }, place, el("button", { type: "submit" }, "Go"));
    const items = [
      folder.up === null ? null : el("button", { type: "button", class: "entry folder", onclick: () => go(folder.up) }, el("span", {}, "↑ one folder up")),
      ...folder.files.map((f) => opener(f.path, f.name, f.car)),
      ...folder.folders.map((f) => el("button", { type: "button", class: "entry folder", onclick: () => go(join(f)) }, el("span", {}, `${f} /`)))].filter(Boolean);
    $("folder").replaceChildren(el("h4", {}, "From a folder"), form, el("div", { class: "entries" }, ...items),
      el("p", { class: "note" }, `${folder.files.length ? "" : "No hard-point file lies in this folder. "}${folder.more ? "Not all is shown: there is too much in it." : ""}`));
  }
  /** The layout's left side seen from ahead, so that what is what is seen before it is read. */
  function picture(lines) {
    const [wy, wz, ww, wh] = lines.wheel, ys = [wy, wy + ww, ...lines.joined.flatMap((l) => [l[0], l[2]])], zs = [wz, wz + wh, ...lines.joined.flatMap((l) => [l[1], l[3]])];
    const y0 = Math.min(0, ...ys), y1 = Math.max(...ys), z0 = Math.min(...zs), z1 = Math.max(...zs), m = 40;
    const drawn = svg("svg", { viewBox: `${y0 - m} ${-z1 - m} ${y1 - y0 + 2 * m} ${z1 - z0 + 2 * m}`, "aria-hidden": "true" });
    drawn.append(svg("rect", { x: wy, y: -wz - wh, width: ww, height: wh, rx: 40 }));
    for (const [a, b, c, d] of lines.joined) drawn.append(svg("line", { x1: a, y1: -b, x2: c, y2: -d }));
    for (const [a, b, c, d] of lines.joined) drawn.append(svg("circle", { cx: a, cy: -b, r: 13 }), svg("circle", { cx: c, cy: -d, r: 13 }));
    return drawn;
  }
  function fillStarts() {
    if (!starts || !$("layouts")) return;
    $("layouts").replaceChildren(...starts.map((s) => el("button", { type: "button", class: "layout", "data-start": s.start, "aria-pressed": String(chosen === s.start), onclick: () => { chosen = s.start; name = `my_${s.start}`; fillStarts(); fillNaming(); $("newname").focus(); } }, picture(s.lines), el("span", {}, s.title))));
    fillNaming();
  }
  function fillNaming() {
    if (!chosen) { $("naming").replaceChildren(el("p", { class: "note" }, "Choose one: a complete car with that layout and invented points, in which you put your own.")); return; }
    const file = el("input", { type: "text", id: "newname", value: name, spellcheck: "false", autocomplete: "off" });
    file.addEventListener("input", () => { name = file.value; });
    $("naming").replaceChildren(el("form", { onsubmit: (event) => { event.preventDefault(); ask({ do: "new", start: chosen, folder: folder ? folder.folder : "", name: file.value }); } },
      el("label", { for: "newname" }, "Name of the new file"), el("div", { class: "row" }, file, el("button", { type: "submit", class: "strong", id: "begin" }, "Begin")),
      el("p", { class: "note" }, `It will lie in ${folder ? folder.folder : "the folder shown"}. Its points are invented: every one must be replaced by a measured one before a number means anything.`)));
  }
  wire.on("shelf", (message) => { shelf = message.recent; if (shown()) fillRecent(); });
  wire.on("folder", (message) => { folder = message; if (shown()) { fillFolder(); if (chosen) fillNaming(); } });
  wire.on("starts", (message) => { starts = message.starts; if (shown()) fillStarts(); });
  return { show, hide, shown, refused };
})();
