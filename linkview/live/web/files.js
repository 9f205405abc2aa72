"use strict";
// Files to take away: what can be made of the car as it stands, what is asked before, how far it is.
live.files = (() => {
  const { $, el, field, shown } = live.words;
  const { wire, state } = live;
  let offers = null, mine = false, open = "", last = "", sent = {};
  const said = {};  // by file and field: what was chosen or typed, kept while the sheet is built anew

  function ask() { if (state.car && state.car.writable) wire.ask({ do: "offers", axle: state.axle.name }); }
  wire.on("offers", (message) => { offers = message; live.sheets.refreshIf("about"); });
  wire.on("car", () => { if (live.openTab() === "about") ask(); });
  wire.on("make", (message) => {
    if (message.fault) live.toast(message.fault);
    state.making = message;
    live.sheets.refreshIf("about");
    if (!message.link) return;
    live.toast(`${message.name} is ready`);
    const a = el("a", { href: message.link, download: message.name });
    document.body.append(a);
    if (mine) a.click();
    a.remove();
    mine = false;
  });
  function make(what) {
    const { fields } = offers.offers.find((one) => one.what === what);
    mine = true; last = what;
    sent = { what: "beginning", done: 0, count: 1 };
    state.making = sent;
    live.sheets.refresh();
    wire.ask({ do: "make", what, axle: state.axle.name, given: Object.fromEntries(fields.map((f) => [f.key, valueOf(what, f)])) });
  }
  /** A refusal of what was asked to be made: the sheet is as it was. */
  function refused(message) {
    if (message.of !== "make") return false;
    if (state.making === sent) state.making = { fault: message.words };
    mine = false;
    live.toast(message.words);
    live.sheets.refreshIf("about");
    return true;
  }
  const idOf = (what, f) => `${state.axle.name} ${what} ${f.key}`;
  function valueOf(what, f) {
    const kept = said[idOf(what, f)];
    if (f.choices) return f.choices.some(([v]) => v === kept) ? kept : f.choices[0][0];
    return kept === undefined ? (f.text !== undefined ? f.text : f.value) : kept;
  }
  function inputOf(what, f) {
    const id = `make-${what}-${f.key}`;
    const keep = (v) => { said[idOf(what, f)] = v; };
    if (f.choices) {
      const item = el("select", { id, onchange: () => keep(item.value) }, ...f.choices.map(([v, words]) => el("option", { value: v, selected: v === valueOf(what, f) }, words)));
      return el("label", { for: id }, f.label, item);
    }
    if (f.text !== undefined) {
      const item = el("input", { type: "text", id, value: valueOf(what, f), maxlength: f.most, autocomplete: "off", spellcheck: "false", onchange: () => { keep(item.value); item.defaultValue = item.value; } });
      return el("label", { for: id }, f.label, item);
    }
    const item = field({ label: f.label, value: valueOf(what, f), unit: f.unit, digits: 3, id, onset: keep, empty: f.empty });
    return el("label", { for: id }, `${f.label} (${shown(f.unit, 0).unit})`, item);
  }
  function rows() {
    const { car, axle, making } = state, busy = Boolean(making && !making.link && !making.fault && !making.cancelled);
    if (!car.writable) return [el("p", { class: "note" }, "Only the builder’s own page makes files.")];
    if (!offers || offers.axle !== axle.name) return [el("p", { class: "note" }, "Looking …")];
    const now = making ? making.making || last : "";
    const outline = el("div", { class: "offer" }, el("button", { type: "button", class: "make", id: "addoutline", onclick: () => live.mesh.choose([".dxf"]) }, "A drawing (DXF) held against a shop’s rules, and mended …"), el("p", { class: "note" }, "Any DXF you have; or drop it on the page."));
    return [...offers.offers.map(({ what, words, fields, why }) => {
      const go = (label) => el("button", { type: "button", class: "make", "data-make": what, disabled: busy || Boolean(why), onclick: () => make(what) }, label);
      const told = what === now ? state_(making, busy) : [];
      if (why || !fields.length) return el("div", { class: "offer" }, go(words), why ? el("p", { class: "note" }, why[0].toUpperCase() + why.slice(1)) : null, ...told);
      const item = el("details", { class: "offer asks", "data-offer": what, open: open === what, ontoggle: () => { if (item.open) open = what; else if (open === what) open = ""; } }, el("summary", {}, words), el("div", { class: "fields" }, ...fields.map((f) => inputOf(what, f)), go("Make it")));
      return el("div", {}, item, ...told);
    }), outline];
  }
  /** How far it is, or where it can be taken: beside what was asked for. */
  function state_(making, busy) {
    if (making.link) return [el("p", { class: "done" }, el("a", { href: making.link, download: making.name, id: "made" }, `Take ${making.name}`))];
    if (making.fault) return [el("p", { class: "warn" }, making.fault)];
    if (!busy) return [];
    const bar = el("i");
    bar.style.width = `${(100 * making.done) / Math.max(making.count, 1)}%`;
    return [el("div", { class: "row making" }, el("span", { class: "bar" }, bar), el("button", { type: "button", onclick: () => wire.ask({ do: "cancel make" }) }, "Cancel"), el("span", { class: "note", role: "status" }, making.what))];
  }
  return { ask, rows, refused, inputOf, valueOf };
})();
