"use strict";
// Which 1 mm matters: for each reading the hard point that moves it most, and all of them on asking.
live.matters = (() => {
  const { el, signed, plain, shown, known } = live.words;
  const { wire, state } = live;
  const SIZES = [["kept", "A bracket moved", "Every part keeps its size; the corner re-assembles."], ["follow", "A point measured elsewhere", "Every part is as long as its points say."]];
  let sizes = "kept", given = null, open = "", fault = "", page = null;

  function ask() { fault = ""; wire.ask({ do: "matters", sizes }); }
  function refused(words) { fault = words; live.sheets.refreshIf("matters"); }
  wire.on("matters", (message) => { given = message; live.sheets.refreshIf("matters"); });
  const fresh = () => given && state.axle && state.pose && given.axle === state.axle.name && given.generation === state.pose.generation && given.sizes === sizes;
  /** A change per mm in the unit shown: per inch where inches are. */
  function per(row, v) {
    const s = shown(row.unit, row.decimals + 1);
    return signed(v * s.by * (state.inch ? 25.4 : 1), Math.max(0, state.inch ? s.digits - 1 : s.digits));
  }
  function fill(box) {
    page = box;
    const pick = el("div", { class: "group", role: "group", "aria-label": "What 1 mm means" }, ...SIZES.map(([key, words]) => el("button", { type: "button", "aria-pressed": String(key === sizes), onclick: () => { sizes = key; ask(); fill(page); } }, words)));
    const head = [pick, el("p", { class: "note" }, SIZES.find(([key]) => key === sizes)[2])];
    if (fault) { box.replaceChildren(...head, el("p", { class: "warn" }, fault)); return; }
    if (!fresh()) { box.replaceChildren(...head, el("p", { class: "note" }, "Reckoning …")); return; }
    const one = state.inch ? "1 in" : "1 mm";
    const rows = given.rows.flatMap((row) => {
      const [name, most] = row.by[0], id = `m-${given.rows.indexOf(row)}`, on = open === row.name, s = shown(row.unit, row.decimals);
      const line = el("button", { type: "button", class: "matter", "aria-expanded": String(on), "aria-controls": id, "data-name": row.name, onclick: () => { open = on ? "" : row.name; fill(page); } },
        el("span", { class: "what" }, `${row.label}${row.of === "axle" ? "" : `, ${row.of}`}${row.moved === "both sides" ? "" : `; ${row.moved} side moved`}`), el("span", { class: "now" }, `${signed(known(row.value) ? row.value * s.by : row.value, s.digits)} ${s.unit}`),
        el("span", { class: "most" }, `${one} of ${name}: ${per(row, most)} ${s.unit}`));
      if (!on) return [line];
      const list = el("table", { id, class: "ranked" }, el("tbody", {}, ...row.by.map(([words, v]) => {
        const bar = el("i");
        bar.style.width = `${(100 * Math.abs(v)) / Math.abs(most)}%`;
        return el("tr", {}, el("th", { scope: "row" }, words), el("td", { class: "barcell" }, el("span", { class: "bar" }, bar)), el("td", { class: "num" }, per(row, v)));
      })));
      return [line, list];
    });
    const [rack, travel, roll] = given.at;
    box.replaceChildren(...head, ...rows, el("p", { class: "note" },
      `Change of each reading for ${one}, at rack ${plain(rack * shown("mm", 1).by, shown("mm", 1).digits)}, travel ${plain(travel * shown("mm", 1).by, shown("mm", 1).digits)} ${shown("mm", 1).unit}${Math.abs(roll) > 1e-9 ? "; roll is left out" : ""}. Wheel heights kept; ${given.rows.some((r) => r.moved !== "both sides") ? "one side moved at a time" : "both sides moved alike"}. For small changes: the slope here, no promise at 10 mm.`));
  }
  return { ask, fill, refused };
})();
