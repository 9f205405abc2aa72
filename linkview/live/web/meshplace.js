"use strict";
// Where the meshes of an axle stand, on the File sheet: moved, turned, or laid on matching places.
live.meshplace = (() => {
  const { el, plain, mm, shown, field } = live.words;
  const { wire, state } = live;
  const WAYS = ["ahead", "back", "left", "right", "up", "down"];
  const MANY_MM = 3;  // a match that is farther off is likely a mistaken place
  const nice = (name) => name.replace(/_/g, " ");
  const drafts = {};  // matches being typed, by axle and mesh, until they are put to use
  let open = "", fault = "";

  const said = (one, more) => place(one, { on: one.on, at: one.at, x_axis: one.x, y_axis: one.y, turn: one.turn, ...more });
  function place(one, words) { fault = ""; wire.ask({ do: "mesh place", axle: state.axle.name, name: one.name, ...words }); }
  function refused(words) { fault = words; live.sheets.refreshIf("about"); }
  wire.on("car", () => { fault = ""; });

  function row(one) {
    if (one.gone) return el("div", { class: "row", "data-mesh": one.name }, el("span", { class: "grow warn" }, `${nice(one.name)}: the file ${one.file} is gone, so it is neither shown nor measured. Drop ${one.file} again to bring it back.`), out(one, "Take out"));
    const what = one.own ? (one.moved ? "of the file, moved, not saved yet" : "of the file") : "not saved yet";
    const key = `${state.axle.name} ${one.name}`;
    const item = el("details", { class: "offer asks", "data-mesh": one.name, open: open === key, ontoggle: () => { if (item.open) open = key; else if (open === key) open = ""; } },
      el("summary", {}, `${nice(one.name)}: ${one.file} in ${one.unit}, on the ${nice(one.on)}; ${what}`),
      el("fieldset", { class: "bare", disabled: !state.car.writable }, ...form(one, key)));
    return item;
  }
  const out = (one, words) => el("button", { type: "button", disabled: !state.car.writable, onclick: () => wire.ask({ do: "mesh out", axle: state.axle.name, name: one.name }) }, words);
  function form(one, key) {
    const { axle } = state, id = (what) => `mesh-${one.name}-${what}`;
    const part = el("select", { id: id("on"), onchange: () => (one.matches.length ? place(one, { on: part.value, matches: one.matches }) : said(one, { on: part.value })) }, ...axle.parts.map((p) => el("option", { value: p, selected: p === one.on }, p === "body" ? "body: stands still on the car" : nice(p))));
    const three = (what, lead, values, unit, digits, words, put) => ["x", "y", "z"].map((axis, k) => el("label", { for: id(what + axis) }, `${axis} ${words[k]}`, field({ label: `${nice(one.name)}, ${lead} ${axis}`, value: values[k], unit, digits, id: id(what + axis), onset: (v) => put(values.map((old, i) => (i === k ? v : old))) })));
    const way = (axis) => { const item = el("select", { id: id(`${axis}way`), onchange: () => said(one, { [`${axis}_axis`]: item.value }) }, ...WAYS.map((w) => el("option", { value: w, selected: w === one[axis] }, w))); return el("label", { for: id(`${axis}way`) }, `Its ${axis} points`, item); };
    return [
      el("label", { class: "wide" }, "The part it is fixed to", part),
      el("fieldset", {}, el("legend", {}, `Where its own origin stands at ride height, ${shown("mm", 0).unit}`), el("div", { class: "three" }, ...three("at", "its origin", one.at, "mm", 3, ["ahead", "left", "up"], (at) => said(one, { at })))),
      el("fieldset", {}, el("legend", {}, "Which way it lies"), el("div", { class: "three" }, way("x"), way("y")),
        el("div", { class: "three" }, ...three("turn", "turned about", one.turn, "deg", 4, ["turn, deg", "turn, deg", "turn, deg"], (turn) => said(one, { turn }))),
        el("p", { class: "note" }, "Turned further about the car’s x, then y, then z, through its own origin; + as a right-hand screw along the axis.")),
      matches(one, key),
      fault && open === key ? el("p", { class: "warn wide", role: "alert" }, fault) : null,
      axle.symmetric ? el("p", { class: "note wide" }, `These are places on the ${axle.side} side; the other side is the mirror and follows.`) : null,
      el("div", { class: "row wide" }, !one.own ? out(one, "Take out") : one.moved ? out(one, "Put it back as the file has it") : null)].filter(Boolean);
  }

  // --- matching places ---------------------------------------------------------------------------

  const EMPTY = () => ({ file: [null, null, null], car: "" });
  function draftOf(one, key) {
    const from = JSON.stringify(one.matches);
    if (!drafts[key] || drafts[key].from !== from) drafts[key] = { from, open: Boolean(drafts[key] && drafts[key].open) || one.matches.length > 0, rows: one.matches.length ? JSON.parse(from) : [EMPTY(), EMPTY(), EMPTY()] };
    return drafts[key];
  }
  function matches(one, key) {
    const draft = draftOf(one, key), { axle } = state, again = () => live.sheets.refreshIf("about");
    const rows = draft.rows.map((match, k) => {
      const id = `mesh-${one.name}-match${k}`, typed = Array.isArray(match.car);
      const car = el("select", { id, onchange: () => { match.car = car.value === " " ? [0, 0, 0] : car.value; again(); } }, el("option", { value: "", selected: match.car === "" }, "choose …"), el("option", { value: " ", selected: typed }, "a place that is typed"), ...Object.keys(axle.points).map((n) => el("option", { value: n, selected: n === match.car }, nice(n))));
      const numbers = (values, label, unit, put) => ["x", "y", "z"].map((axis, i) => el("label", {}, axis, field({ label: `Place ${k + 1} ${label}, ${axis}`, value: values[i], unit, digits: 3, onset: (v) => put(i, v) })));
      const off = one.off[k], told = draft.from === JSON.stringify(draft.rows) && off !== undefined ? el("p", { class: off > MANY_MM ? "warn" : "note" }, `Off by ${mm(off, 2)}${off > MANY_MM ? ": is it the same place?" : ""}`) : null;
      return el("fieldset", { "data-match": k }, el("legend", {}, `Place ${k + 1}`), el("p", { class: "note" }, `In the file, ${one.unit}`), el("div", { class: "three" }, ...numbers(match.file, "in the file", `${one.unit} of the file`, (i, v) => { match.file[i] = v; })),
        el("button", { type: "button", onclick: () => pick(one, match, k) }, "Take it in the picture"),
        el("label", { for: id, class: "wide" }, "On the car", car), typed ? el("div", { class: "three" }, ...numbers(match.car, "on the car", "mm", (i, v) => { match.car[i] = v; })) : null, told);
    });
    const whole = (m) => m.file.every((v) => typeof v === "number") && m.car !== "";
    const put = () => {
      const given = draft.rows.filter((m) => m.car !== "" || m.file.some((v) => v !== null));
      if (given.length < 3 || !given.every(whole)) { refused("Give three or more places, each with its x, y and z in the file and its place on the car."); return; }
      place(one, { on: one.on, matches: given });
    };
    const worst = one.off.length ? Math.max(...one.off) : null;
    const item = el("details", { class: "wide", open: draft.open, ontoggle: () => { draft.open = item.open; } }, el("summary", {}, one.matches.length ? `Placed by ${one.matches.length} matching places: off by ${mm(worst, 2)} at the worst` : "Or place it by three or more matching places"),
      el("p", { class: "note" }, one.matches.length ? "A number typed above leaves these behind." : "For each, where it is in the file and where that is on the car: the best rigid fit is taken, and how far each place is off is told. Far from one line, and more than three to find a slip."),
      ...rows, el("div", { class: "row" }, el("button", { type: "button", onclick: () => { draft.rows.push(EMPTY()); again(); } }, "One more place"), draft.rows.length > 3 ? el("button", { type: "button", onclick: () => { draft.rows.pop(); again(); } }, "One fewer") : null, el("button", { type: "button", class: "strong", onclick: put }, "Place it by these")));
    return item;
  }

  // --- a place taken in the picture --------------------------------------------------------------

  const canvas = live.words.$("canvas");
  let picking = null, down = null;
  function pick(one, match, k) {
    if (one.on !== "body" && !live.view.atRide()) { live.toast(`Go back to ride height first: it rides on the ${nice(one.on)}.`); return; }
    picking = { one, match, generation: state.car.generation };
    live.toast(`Press the corner of ${nice(one.name)} in the picture that is place ${k + 1}. Escape leaves it.`);
    canvas.focus();
  }
  canvas.addEventListener("pointerdown", (event) => { down = [event.clientX, event.clientY]; });
  canvas.addEventListener("pointerup", (event) => {
    if (!picking || !down || Math.hypot(event.clientX - down[0], event.clientY - down[1]) > 6) return;  // the picture was turned
    if (picking.generation !== state.car.generation) { picking = null; live.toast("The car has changed meanwhile: begin again."); return; }
    const at = nearestCorner(live.view.rayAt(event), nice(picking.one.name));
    if (!at) { live.toast(`That is not ${nice(picking.one.name)}: press on it, on the ${state.axle.side} side, or Escape.`); return; }
    const { one, match } = picking;
    match.file = inFile(one, at);
    picking = null;
    live.toast(`Taken: the triangle’s corner that stands at ${at.map((v) => mm(v, 1)).join(", ")} now.`);
    live.sheets.refreshIf("about");
  });
  document.addEventListener("keydown", (event) => { if (event.key === "Escape" && picking) { picking = null; live.toast("No place was taken."); } });
  /** From the car's mm to the file's own coordinates and unit. */
  function inFile(one, at) {
    const by = { mm: 1, cm: 10, m: 1000, in: 25.4 }[one.unit], rest = at.map((v, k) => (v - one.at[k]) / by);
    return one.axes.map((axis) => Number(axis.reduce((sum, v, k) => sum + v * rest[k], 0).toFixed(6)));
  }
  /** The corner, nearest the ray, of the first triangle of a part that the ray meets; null for none. */
  function nearestCorner({ from, way }, name) {
    const held = live.view.slots[state.axle.name];
    let best = null;
    held.group.updateMatrixWorld(true);
    for (const actor of held.actors.values()) {
      if (actor.side !== state.axle.side) continue;
      for (const item of actor.node.children) if (item.isMesh && item.name === name) {
        const to = actor.node.matrix.clone().multiply(item.matrix), back = to.clone().invert();
        const o = new THREE.Vector3(...from).applyMatrix4(back), d = new THREE.Vector3(...from.map((v, k) => v + way[k])).applyMatrix4(back).sub(o);
        const hit = firstHit(item.geometry, [o.x, o.y, o.z], [d.x, d.y, d.z]);
        if (hit && (!best || hit.t < best.t)) best = { t: hit.t, at: new THREE.Vector3(...hit.corner).applyMatrix4(to).toArray() };
      }
    }
    return best && best.at;
  }
  /** Ray against triangles: T. Moeller and B. Trumbore, Journal of Graphics Tools 2 (1997) 21, from memory. */
  function firstHit(geometry, o, d) {
    const p = geometry.getAttribute("position").array, faces = geometry.index.array;
    const sub = (a, b) => [a[0] - b[0], a[1] - b[1], a[2] - b[2]], dot = (a, b) => a[0] * b[0] + a[1] * b[1] + a[2] * b[2];
    const cross = (a, b) => [a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]], at = (k) => [p[3 * k], p[3 * k + 1], p[3 * k + 2]];
    let first = Infinity, found = null;
    for (let f = 0; f < faces.length; f += 3) {
      const a = at(faces[f]), b = at(faces[f + 1]), c = at(faces[f + 2]), ab = sub(b, a), ac = sub(c, a), h = cross(d, ac), det = dot(ab, h);
      if (det === 0) continue;
      const s = sub(o, a), u = dot(s, h) / det, q = cross(s, ab), v = dot(d, q) / det, t = dot(ac, q) / det;
      if (u < 0 || v < 0 || u + v > 1 || t <= 0 || t >= first) continue;
      first = t;
      const where = o.map((w, k) => w + t * d[k]);
      found = [a, b, c].reduce((near, one) => (Math.hypot(...sub(one, where)) < Math.hypot(...sub(near, where)) ? one : near));
    }
    return found && { t: first, corner: found };
  }
  return { row, refused, show: (axle, name) => { open = `${axle} ${name}`; } };
})();
