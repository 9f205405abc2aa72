"use strict";
// A drawing dropped on the page: held against a shop's rules, its faults drawn, mended for taking away.
live.outline = (() => {
  const { $, el, svg, mm } = live.words;
  const { wire } = live;
  const box = $("outline");
  let drawing = null, found = null, busy = false, fault = "";

  function ask(message) {
    drawing = message; found = null; busy = false; fault = "";
    build();
    if (!box.open) box.showModal();
    $("outlinehead").focus();
  }
  function check(event) {
    event.preventDefault();
    if (box.querySelector("input.wrong") || busy) return;
    busy = true; fault = "";
    wire.ask({ do: "outline", token: drawing.drawing, given: Object.fromEntries(drawing.fields.map((f) => [f.key, live.files.valueOf("outline", f)])) });
    build();
  }
  wire.on("outlined", (message) => {
    if (!drawing || message.outline !== drawing.drawing) return;
    busy = false; fault = message.fault || ""; found = message.fault ? null : message;
    build();
    if ($("outlinetold")) { $("outlinetold").focus(); $("outlinetold").scrollIntoView({ block: "start" }); }
  });
  /** Words of a refusal, where they belong to the drawing that is asked about. */
  function refused(message) {
    if (message.of !== "outline") return false;
    busy = false; fault = message.words;
    build();
    return true;
  }
  function close() { drawing = null; found = null; busy = false; if (box.open) box.close(); }
  box.addEventListener("cancel", close);
  wire.on("lost", () => { if (drawing) { close(); live.toast("The connection broke while a drawing was checked: drop it again."); } });

  function build() {
    if (!drawing) return;
    const top = box.scrollTop;
    box.replaceChildren(el("form", { onsubmit: check },
      el("h2", { id: "outlinehead", tabindex: "-1" }, `Check ${drawing.name}`),
      el("p", { class: "note" }, "Held against a shop’s rules, from the drawing alone; what can be mended goes into a new file. It stays on this machine, and yours is not written."),
      el("div", { class: "fields" }, ...drawing.fields.map((f) => live.files.inputOf("outline", f))),
      fault ? el("p", { class: "warn", role: "alert", id: "outlinefault" }, fault[0].toUpperCase() + fault.slice(1)) : null,
      el("div", { class: "row" }, el("button", { type: "submit", class: "strong", id: "outlinecheck", disabled: busy }, found ? "Check it again" : "Check it"), el("button", { type: "button", onclick: close }, "Close"),
        busy ? el("span", { class: "note", role: "status" }, "Checking … (after a file that is being made)") : null)),
    ...(found ? result() : []));
    box.scrollTop = top;
  }
  function result() {
    const bad = found.remarks.filter((r) => r.refused).length, odd = found.remarks.length - bad, count = (n, word) => `${n} ${word}${n === 1 ? "" : "s"}`;
    const head = found.clean ? `Passes these rules as it is${odd ? `, with ${count(odd, "warning")}` : ""}` : `A shop would send it back: ${count(bad, "fault")}${odd ? `, ${count(odd, "warning")}` : ""}`;
    return [el("h3", { id: "outlinetold", tabindex: "-1", class: found.clean ? "done" : "warn" }, head),
      el("p", {}, el("a", { href: found.link, download: found.name, id: "outlinemade" }, `Take ${found.name}`), ": these words, the picture, and the mended drawing where it could be mended."), picture(),
      el("ul", { class: "told" }, ...found.lines.map((line) => el("li", { class: line.includes("REFUSED") ? "warn" : "" }, line.trim()))),
      found.more ? el("p", { class: "note" }, `and ${found.more} more lines, in the file`) : null,
      el("p", { class: "note" }, "It says nothing about strength.")].filter(Boolean);
  }
  /** The drawing with its faults ringed and numbered as in the list. */
  function picture() {
    if (!found.drawn.length) return el("p", { class: "note" }, "Too many lines to draw here: see the picture in the file.");
    const all = found.drawn.flat(), xs = all.map((p) => p[0]), ys = all.map((p) => p[1]), least = (v) => v.reduce((a, b) => Math.min(a, b)), most = (v) => v.reduce((a, b) => Math.max(a, b));
    const [x0, x1, y0, y1] = [least(xs), most(xs), least(ys), most(ys)], size = Math.max(x1 - x0, 1.6 * (y1 - y0), 1e-6), r = size / 50, m = 3.2 * r;
    const drawn = svg("svg", { viewBox: `${x0 - m} ${-y1 - m} ${x1 - x0 + 2 * m} ${y1 - y0 + 2 * m}`, role: "img", "aria-label": `${found.name}: the drawing, ${mm(x1 - x0)} by ${mm(y1 - y0)}, faults ringed`, class: "drawn" });
    drawn.append(svg("path", { d: found.drawn.map((line) => "M" + line.map(([x, y]) => `${x} ${-y}`).join("L")).join(""), "stroke-width": size / 400 }));
    const taken = [];
    found.remarks.forEach(({ at, refused: red }, k) => {
      if (!at) return;
      const crowd = taken.filter(([x, y]) => Math.hypot(x - at[0], y - at[1]) < 1.5 * r).length;
      taken.push(at);
      const number = svg("text", { x: at[0] + r * (1.1 + 1.7 * crowd), y: -at[1] - r * 0.8, class: red ? "red" : "amber" }, String(k + 1));
      number.style.fontSize = `${1.6 * r}px`;
      drawn.append(svg("circle", { cx: at[0], cy: -at[1], r, class: red ? "red" : "amber", "stroke-width": size / 250 }), number);
    });
    return drawn;
  }
  return { ask, refused };
})();
