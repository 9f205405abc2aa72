"use strict";
// Elements, numbers and units. Every word from a file goes in as text, never as markup.
const live = { state: { inch: false, axle: null, pose: null, car: null } };
live.words = (() => {
  const $ = (id) => document.getElementById(id);
  function el(kind, given = {}, ...children) {
    const item = document.createElement(kind);
    for (const [key, value] of Object.entries(given)) {
      if (value === null || value === undefined || value === false) continue;
      if (key === "class") item.className = value;
      else if (key.startsWith("on")) item.addEventListener(key.slice(2), value);
      else item.setAttribute(key, value === true ? "" : value);
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
  const known = (v) => typeof v === "number" && Number.isFinite(v);
  function plain(v, digits) {
    if (!known(v)) return "–";
    const words = Math.abs(v).toFixed(digits);
    return (v < 0 && Number(words) !== 0 ? "−" : "") + words;
  }
  const signed = (v, digits) => (known(v) && v > 0 && Number(v.toFixed(digits)) !== 0 ? "+" : "") + plain(v, digits);

  // --- inches at the edge: factors to the unit shown, by the unit a number comes in ------------

  const INCHES = { mm: [1 / 25.4, "in", 2], "deg/mm": [25.4, "deg/in", -1], "1/mm": [25.4, "1/in", -1], "N/mm": [25.4, "N/in", -1] };
  function shown(unit, digits) {
    const to = live.state.inch && INCHES[unit];
    return to ? { by: to[0], unit: to[1], digits: Math.max(0, digits + to[2]) } : { by: 1, unit, digits };
  }
  /** A number in its own unit as words in the unit shown. */
  function said(v, unit, digits, plus) {
    const s = shown(unit, digits);
    return `${(plus ? signed : plain)(known(v) ? v * s.by : v, s.digits)} ${s.unit}`;
  }
  const mm = (v, digits = 1, plus = false) => said(v, "mm", digits, plus);

  /** What a person typed as a number: decimal point or comma, a minus of any kind; NaN otherwise. */
  function typed(text) {
    const words = text.trim().replace(/[−–]/g, "-").replace(/\s*(mm|in|deg|°|")$/i, "").replace(/[\s\u00a0\u202f']/g, "");
    if (!/^[+-]?(\d+([.,]\d*)?|[.,]\d+)(e[+-]?\d+)?$/i.test(words)) return NaN;
    return Number(words.replace(",", "."));
  }

  /** A field for one number in a unit; calls back with the number in that unit, mm for lengths; null
   * where it may be left empty and is. */
  function field({ label, value, unit, digits, onset, id, empty }) {
    const s = shown(unit, digits);
    const start = known(value) ? String(Number((value * s.by).toFixed(s.digits))) : "";
    const input = el("input", { type: "text", inputmode: "decimal", value: start, "aria-label": `${label}, ${s.unit}`, id, autocomplete: "off", spellcheck: "false" });
    const put = () => {
      if (input.value === input.defaultValue && !input.classList.contains("wrong")) return;
      if (empty && !input.value.trim()) { input.classList.remove("wrong"); input.defaultValue = ""; onset(null); return; }
      const v = typed(input.value);
      input.classList.toggle("wrong", Number.isNaN(v));
      input.setAttribute("aria-invalid", String(Number.isNaN(v)));
      if (Number.isNaN(v)) live.toast(`“${input.value.slice(0, 30)}” is not a number: write 12.5 or 12,5`);
      else { input.defaultValue = input.value; onset(v / s.by); }
    };
    input.addEventListener("change", put);
    input.addEventListener("keydown", (event) => { if (event.key === "Escape") { input.value = start; input.classList.remove("wrong"); } });
    return input;
  }

  let fading = 0;
  live.toast = (words) => {
    const box = $("toast");
    box.textContent = words; box.hidden = false;
    clearTimeout(fading);
    fading = setTimeout(() => { box.hidden = true; }, 6000);
  };
  return { $, el, svg, known, plain, signed, shown, said, mm, typed, field };
})();
