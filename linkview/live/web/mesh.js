"use strict";
// A mesh dropped on the page, or chosen: sent piece by piece, asked about, put in the car.
live.mesh = (() => {
  const { $, el, plain, mm, typed, shown, field } = live.words;
  const { wire, state } = live;
  const PIECE = 1 << 20;
  const UNITS = [["mm", "millimetres", 1], ["cm", "centimetres", 10], ["m", "metres", 1000], ["in", "inches", 25.4]];
  const WAYS = { ahead: [1, 0, 0], back: [-1, 0, 0], left: [0, 1, 0], right: [0, -1, 0], up: [0, 0, 1], down: [0, 0, -1] };
  const nice = (name) => name.replace(/_/g, " ");
  let file = null, asked = null, held = 0;
  const box = $("meshing"), cover = $("drop");

  // --- dropped, or chosen ------------------------------------------------------------------------

  const carries = (event) => [...(event.dataTransfer ? event.dataTransfer.types : [])].includes("Files");
  window.addEventListener("dragenter", (event) => { if (carries(event)) { event.preventDefault(); held += 1; cover.hidden = false; } });
  window.addEventListener("dragleave", (event) => { if (carries(event)) { held -= 1; cover.hidden = held > 0 ? cover.hidden : true; } });
  window.addEventListener("dragover", (event) => { if (carries(event)) event.preventDefault(); });
  window.addEventListener("drop", (event) => {
    if (!carries(event)) return;
    event.preventDefault();  // else the browser would leave this page for the file
    held = 0; cover.hidden = true;
    take([...event.dataTransfer.files]);
  });
  const chooser = el("input", { type: "file", id: "meshfile", hidden: true, tabindex: "-1", "aria-hidden": "true", onchange: () => { take([...chooser.files]); chooser.value = ""; } });
  document.body.append(chooser);
  function choose(kinds) { chooser.accept = kinds.join(","); chooser.click(); }

  function take(files) {
    const [one] = files;
    if (!one) return;
    if (files.length === 1 && /\.toml$/i.test(one.name)) { live.dropped.take(one); return; }
    const fault = refusal(files);
    if (fault) { live.toast(fault); return; }
    file = one; asked = null;
    box.replaceChildren(el("h2", { id: "meshhead" }, `Taking in ${one.name}`), el("p", { class: "row" }, el("span", { class: "bar" }, el("i", { id: "meshbar" }))), el("p", { class: "note", id: "meshwords", role: "status" }, "It stays on this machine."), el("div", { class: "row" }, el("button", { type: "button", onclick: stop }, "Cancel")));
    if (!box.open) box.showModal();
    wire.ask({ do: "mesh begin", name: one.name, size: one.size });
  }
  /** Why a file will not do, before anything of it is read; '' for one that may. */
  function refusal(files) {
    if (!state.car) return "Open a car first: drop its hard-point file (.toml), then the mesh.";
    if (!state.car.writable) return "This page may only look; ask the builder for the other link.";
    if (files.length > 1) return "One mesh at a time, please.";
    const [{ name, size }] = files, kind = (name.match(/\.[^.]*$/) || [""])[0].toLowerCase();
    if (kind === ".dxf") return !size ? `${name} is empty: export it again.` : size > state.car.largestDrawing ? `${name} is ${plain(size / 1e6, 0)} MB; a drawing may be ${plain(state.car.largestDrawing / 1e6, 0)} MB. Take out what is not to be cut. Nothing of it was read.` : "";
    if (!state.car.meshKinds.includes(kind)) return `${name} is neither a mesh that can be read here (${state.car.meshKinds.join(", ")}) nor a drawing (.dxf).`;
    if (!size) return `${name} is empty: export it again.`;
    if (size > state.car.largestMesh) return `${name} is ${plain(size / 1e6, 0)} MB; a mesh may be ${plain(state.car.largestMesh / 1e6, 0)} MB. Thin it out and drop it again. Nothing of it was read.`;
    return "";
  }
  async function send(at) {
    const mine = file;
    let piece = null;
    try { piece = await mine.slice(at, at + PIECE).arrayBuffer(); } catch { /* gone from the disk meanwhile */ }
    if (file !== mine) return;
    if (piece === null || !piece.byteLength) { stop(); live.toast(`${mine.name} cannot be read any more: was it moved or changed? Drop it again.`); return; }
    $("meshbar").style.width = `${(100 * at) / mine.size}%`;
    wire.bytes(piece);
  }
  function stop() {
    if (file || asked) wire.ask({ do: "mesh stop" });
    file = null; asked = null;
    if (box.open) box.close();
  }
  box.addEventListener("cancel", (event) => { event.preventDefault(); stop(); });
  wire.on("lost", () => { if (!file && !asked) return; file = null; asked = null; if (box.open) box.close(); live.toast("The connection broke while a mesh was taken in: drop it again."); });

  wire.on("mesh", (message) => {
    if (message.want !== undefined && file) send(message.want);
    else if (message.reading && file) { $("meshbar").style.width = "100%"; $("meshwords").textContent = "Reading it …"; }
    else if (message.fault) { file = null; if (box.open) box.close(); live.toast(message.fault); }
    else if (message.look && file) { file = null; asked = message; ask(); }
    else if (message.put) { asked = null; if (box.open) box.close(); live.meshplace.show(state.axle.name, message.put); live.sheets.refreshIf("about"); live.toast(`${nice(message.put)} is in the car, not saved yet. Undo takes it out; it is moved on the File sheet.`); }
    else if (message.drawing && file) { file = null; if (box.open) box.close(); live.outline.ask(message); }
    else if (message.back) { file = null; if (box.open) box.close(); live.toast(`${message.back.map(nice).join(", ")}: the file is back, and so is the mesh.`); }
  });
  /** Words of a refusal, where they belong to the mesh that is being asked about. */
  function refused(message) {
    if (!String(message.of).startsWith("mesh")) return false;
    if (message.of === "mesh place") { live.meshplace.refused(message.words); return true; }
    if (asked && $("meshfault")) { $("meshfault").textContent = message.words; $("meshfault").hidden = false; $("meshfault").scrollIntoView({ block: "nearest" }); return true; }
    file = null;
    if (box.open) box.close();
    live.toast(message.words);
    return true;
  }

  // --- asked about -------------------------------------------------------------------------------

  function ownName(name) {
    const plainName = name.replace(/\.[^.]*$/, "").replace(/[^A-Za-z0-9_]+/g, "_").replace(/^[^A-Za-z]+/, "").replace(/_+$/, "").slice(0, 50) || "mesh";
    const taken = new Set([...live.view.names().map((n) => n.replace(/ /g, "_")), "tyre", "rim"]);
    let out = plainName;
    for (let k = 2; taken.has(out); k++) out = `${plainName}_${k}`;
    return out;
  }
  function ask() {
    const { look, name } = asked, { axle } = state, size = look.high.map((v, k) => v - look.low[k]);
    const size_ = (by) => size.map((v) => plain(v * by * shown("mm", 0).by, v * by < 10 ? 2 : shown("mm", 0).digits)).join(" × ") + ` ${shown("mm", 0).unit}`;
    const radio = UNITS.map(([unit, words, by]) => el("label", { class: "check" }, el("input", { type: "radio", name: "meshunit", value: unit, required: true, onchange: told }), el("span", {}, words, el("span", { class: "dim" }, `: it is ${size_(by)}`))));
    const called = el("input", { type: "text", id: "meshname", value: ownName(name), spellcheck: "false", maxlength: 60, required: true });
    const part = el("select", { id: "meshon" }, ...axle.parts.map((one) => el("option", { value: one }, one === "body" ? "body: stands still on the car" : nice(one))));
    const at = { x: 0, y: 0, z: 0 };
    const places = [["x", "ahead"], ["y", "left"], ["z", "up"]].map(([key, words]) => el("label", {}, `${key} ${words}`, field({ label: `Its origin, ${key} ${words}`, value: 0, unit: "mm", digits: 2, onset: (v) => { at[key] = v; told(); } })));
    const way = (id, first) => el("select", { id, onchange: told }, ...Object.keys(WAYS).map((one) => el("option", { value: one, selected: one === first }, one)));
    const [x, y] = [way("meshx", "ahead"), way("meshy", "left")];
    const checked = el("input", { type: "checkbox", id: "meshchecked" });
    const unit = () => { const one = box.querySelector("[name=meshunit]:checked"); return one ? one.value : ""; };
    function told() {
      const said = unit() ? look.units[unit()] : { wrong: "", odd: "" };
      $("meshodd").textContent = said.wrong || said.odd ? `${name}: ${said.wrong || said.odd}` : "";
      $("meshis").hidden = !said.odd || Boolean(said.wrong);
      $("meshfault").hidden = true;
      $("meshreach").textContent = reach(unit(), at, x.value, y.value, look);
    }
    const put = (event) => {
      event.preventDefault();
      if (box.querySelector("input.wrong")) return;
      wire.ask({ do: "mesh put", token: asked.token, axle: axle.name, name: called.value, unit: unit(), on: part.value, at: [at.x, at.y, at.z], x_axis: x.value, y_axis: y.value, checked: checked.checked && !$("meshis").hidden });
    };
    box.replaceChildren(el("form", { onsubmit: put },
      el("h2", { id: "meshhead", tabindex: "-1" }, `Put ${name} in the car`),
      el("p", { class: "note" }, `${look.triangles.toLocaleString("en").replace(/,/g, "\u202f")} triangles, ${look.closed ? "a closed surface" : "an open surface: what is wholly inside it may not be told from outside"}.${look.triangles > 400000 ? " That many make every gap slow to measure: thin it out if you can." : ""}`),
      el("fieldset", {}, el("legend", {}, "What was it drawn in? The file does not say."), ...radio, el("p", { class: "warn", id: "meshodd", role: "status" }), el("label", { class: "check", id: "meshis", hidden: true }, checked, "It is that size")),
      el("div", { class: "row" }, el("label", {}, "Its name", called), el("label", {}, "The part it is fixed to", part)),
      el("fieldset", {}, el("legend", {}, `Where its own origin stands in the car, ${shown("mm", 0).unit}`), el("div", { class: "row three" }, ...places),
        el("div", { class: "row three" }, el("label", {}, "Its x points", x), el("label", {}, "Its y points", y)), el("p", { class: "note", id: "meshreach", role: "status" }), el("p", { class: "note" }, "It can be moved, turned by degrees or placed by matching places afterwards, on the File sheet.")),
      axle.symmetric ? el("p", { class: "note" }, `The ${axle.name} axle is described by its ${axle.side} side: the mesh stands on the other side too, mirrored.`) : null,
      el("p", { class: "warn", id: "meshfault", role: "alert", hidden: true }),
      el("div", { class: "row" }, el("button", { type: "submit", class: "strong" }, "Put it in the car"), el("button", { type: "button", onclick: stop }, "Leave it out"))));
    if (!box.open) box.showModal();
    told();
    $("meshhead").focus();
  }
  /** From where to where it will reach in the car: in words, so that a slip shows before it is put in. */
  function reach(unit, at, xWay, yWay, look) {
    if (!unit) return "";
    const x = WAYS[xWay], y = WAYS[yWay], by = UNITS.find(([one]) => one === unit)[2];
    if (x.some((v, k) => v && y[k])) return "Its x and y cannot point along the same line.";
    const z = [x[1] * y[2] - x[2] * y[1], x[2] * y[0] - x[0] * y[2], x[0] * y[1] - x[1] * y[0]];
    const ends = [0, 1, 2].map((k) => { const to = (c) => by * (x[k] * c[0] + y[k] * c[1] + z[k] * c[2]) + [at.x, at.y, at.z][k]; const [a, b] = [to(look.low), to(look.high)]; return [Math.min(a, b), Math.max(a, b)]; });
    return `It will reach from x ${mm(ends[0][0], 0)} to ${mm(ends[0][1], 0)}, y ${mm(ends[1][0], 0)} to ${mm(ends[1][1], 0)}, z ${mm(ends[2][0], 0)} to ${mm(ends[2][1], 0)}.`;
  }

  // --- on the File sheet ---------------------------------------------------------------------------

  function rows() {
    const { axle, car } = state;
    return [el("div", { class: "row" }, el("button", { type: "button", id: "addmesh", disabled: !car.writable, onclick: () => choose(car.meshKinds) }, "Add a mesh …"), el("p", { class: "note" }, "Or drop the file anywhere on the page: a body, engine or arch as STL, OBJ, PLY, GLB or 3MF.")),
      ...axle.meshes.map(live.meshplace.row)];
  }
  return { rows, refused, take, choose };
})();
