"use strict";
// What stands on the stage: shapes as they come, put where the solver says, points to take hold of.
live.view = (() => {
  const { $, el, svg, mm } = live.words;
  const { world, camera, canvas, orbit } = linkview;
  const frame = canvas.parentElement;  // the canvas itself is larger while it is drawn coarsely
  const slots = {}, hidden = new Set();
  const shown = { ghost: true, axes: true, joints: false, whole: false, gaps: true };

  // --- shapes ----------------------------------------------------------------------------------

  function take(message) {
    const old = slots[message.slot];
    const shapes = {};
    for (const [key, header] of Object.entries(message.meshes)) {
      const moved = ([kind, start, count]) => new linkview.KINDS[kind](message.buffer, message.body + header.start + start, count);
      shapes[key] = linkview.geometryOf({ ...header, points: moved(header.points), normals: moved(header.normals), faces: moved(header.faces) });
    }
    const ghost = message.slot.startsWith("ghost ");
    const actors = message.actors.map((actor) => ({ ...actor, meshes: actor.meshes && actor.meshes.map((m) => ({ ...m, shape: (shapes[m.key] = shapes[m.key] || (old && old.shapes[m.key])) })) }));
    const stage = { actors, shut: new Uint8Array(1) };
    const group = linkview.buildStage(stage, ghost);
    group.traverse((item) => { if (item.isLineSegments) item.userData.own = true; });
    slots[message.slot] = { axle: message.axle, stage, group, shapes, frame: message.frame, actors: new Map(actors.map((a) => [a.name, a])) };
    world.add(group);
    if (old) {
      world.remove(old.group);
      old.group.traverse((item) => { if (item.userData.own) item.geometry.dispose(); });
      for (const [key, shape] of Object.entries(old.shapes)) if (shapes[key] !== shape) shape.dispose();
    }
    place(message.slot, message.places);
    applyVisible();
    paint();
    if (!looked && live.state.axle && message.slot === live.state.axle.name) { looked = true; lookFrom(view); }
    linkview.redraw();
  }
  let looked = false, view = "Corner";

  const shift = new THREE.Vector3(), turn = new THREE.Quaternion(), scale = new THREE.Vector3();
  function place(slot, places) {
    const held = slots[slot];
    if (!held || !places) return;
    for (const [name, p] of Object.entries(places)) {
      const actor = held.actors.get(name);
      if (!actor) continue;
      shift.set(p[0], p[1], p[2]); turn.set(p[3], p[4], p[5], p[6]); scale.set(1, 1, p[7]);
      actor.node.matrix.compose(shift, turn, scale);
      actor.node.matrixWorldNeedsUpdate = true;
    }
  }
  function applyVisible() {
    const now = live.state.axle && live.state.axle.name, differs = (name) => live.state.car.axles.some((a) => a.name === name && a.differs);
    let changed = false;
    const put = (item, on) => { if (item.visible !== on) { item.visible = on; changed = true; } };
    for (const [slot, held] of Object.entries(slots)) {
      const ghost = slot.startsWith("ghost ");
      put(held.group, Boolean((held.axle === now || (shown.whole && !held.away)) && (!ghost || (shown.ghost && differs(held.axle)))));
      if (!ghost) held.group.traverse((item) => { if (item.isMesh || item.isLineSegments) put(item, !hidden.has(item.name)); });
    }
    if (changed) linkview.redraw();
  }
  /** Names of what can be hidden on the axle shown. */
  function names() {
    const held = live.state.axle && slots[live.state.axle.name];
    const out = new Set();
    if (held) held.group.traverse((item) => { if (item.name && item.isMesh) out.add(item.name); });
    return [...out].sort();
  }

  // --- looking ---------------------------------------------------------------------------------

  const VIEWS = { Corner: [1, 0.55, 0.42], End: [1, 0, 0.04], Side: [0, 1, 0.04], Top: [-0.001, 0, 1] };
  function lookFrom(name) {
    const axle = live.state.axle, held = axle && slots[axle.name];
    if (!held) return;
    view = name;
    linkview.state.axle = { frame: below(shown.whole ? aroundAll() : held.frame, name), name: axle.name };
    const [x, y, z] = VIEWS[name], ahead = axle.steered ? 1 : -1;
    linkview.lookFrom([x * (name === "Top" ? 1 : ahead), y, z]);
    overlay();
  }
  /** The frame of what is looked at, put under the words and buttons that lie over the picture. */
  function below({ middle: [x, y, z], radius }, name) {
    const box = frame.getBoundingClientRect(), head = $("views").getBoundingClientRect().bottom - box.top, share = Math.min(Math.max(head / Math.max(box.height, 1), 0), 0.45);
    if (share < 0.15 || name === "Top") return { middle: [x, y, z], radius };
    return { middle: [x, y, z + 0.75 * share * radius], radius: radius * (1 + 0.35 * share) };
  }
  /** The middle and size of every axle together. */
  function aroundAll() {
    const frames = Object.entries(slots).filter(([slot]) => !slot.startsWith("ghost ")).map(([, h]) => h.frame);
    const low = [0, 1, 2].map((k) => Math.min(...frames.map((f) => f.middle[k] - 0.62 * f.radius))), high = [0, 1, 2].map((k) => Math.max(...frames.map((f) => f.middle[k] + 0.62 * f.radius)));
    return { middle: low.map((v, k) => (v + high[k]) / 2), radius: Math.hypot(...low.map((v, k) => high[k] - v)) / 1.6 };
  }
  /** Puts the axles that are not looked at where they stand; those out of reach are not shown. */
  function placeOthers(others, ghosts) {
    for (const [lead, all] of [["", others], ["ghost ", ghosts]]) for (const [name, places] of Object.entries(all || {})) {
      const held = slots[lead + name];
      if (!held) continue;
      held.away = places === null;
      place(lead + name, places);
    }
    applyVisible();
  }
  function cut(share) {
    const held = live.state.axle && slots[live.state.axle.name];
    if (!linkview.renderer || !held) return;
    const { middle, radius } = held.frame;
    linkview.renderer.clippingPlanes = share === null ? [] : [{ normal: new THREE.Vector3(0, -1, 0), constant: (middle[1] + share * radius) / 1000 }];
    linkview.redraw();
  }

  // --- lines: axes, contact, the skeleton, gaps --------------------------------------------------

  function lineOf(color, width) {
    const line = new THREE.LineSegments(new THREE.BufferGeometry(), new THREE.LineBasicMaterial({ color, depthTest: false, transparent: true, opacity: width }));
    line.renderOrder = 25; line.frustumCulled = false;
    world.add(line);
    return line;
  }
  const axes = lineOf("#1b5fae", 0.95), skeleton = lineOf("#c77700", 0.9), gapline = lineOf("#b3211d", 1);
  function fill(line, points) {
    const have = line.geometry.getAttribute("position");
    if (have && have.array.length === points.length) { have.array.set(points); have.needsUpdate = true; }
    else { line.geometry.dispose(); line.geometry = new THREE.BufferGeometry(); line.geometry.setAttribute("position", new THREE.Float32BufferAttribute(points, 3)); }
    line.visible = points.length > 0;
  }
  function lines() {
    const { pose, axle } = live.state;
    if (!pose || !axle) return;
    const along = [], bones = [];
    for (const side of ["left", "right"]) {
      const { contact, steeringAxis } = pose.lines[side];
      if (shown.axes && contact) { const [x, y, z] = contact; along.push(x - 60, y, z, x + 60, y, z, x, y - 60, z, x, y + 60, z); }
      if (shown.axes && steeringAxis && steeringAxis[0] && steeringAxis[1]) {
        const [p, d] = steeringAxis, ground = contact ? contact[2] : 0;
        const at = (z) => p.map((v, k) => v + (d[k] * (z - p[2])) / (d[2] || 1));
        along.push(...at(ground), ...at(ground + 950));
      }
      if (selected !== null) for (const [a, b] of axle.skeleton) {
        const from = pose.points[side][a], to = pose.points[side][b];
        if (from && to) bones.push(...from, ...to);
      }
    }
    fill(axes, along); fill(skeleton, bones);
  }
  let near = [];
  /** The pairs nearest each other at the pose shown: lines with their numbers, short ones painted. */
  function gaps(pairs) {
    near = pairs;
    const some = shown.gaps ? tagged() : [];
    fill(gapline, some.flatMap((g) => [...g.onA, ...g.onB]));
    paint();
    overlay();
    linkview.redraw();
  }
  const isShort = (g) => g.state === "contact" || (g.state === "gap" && (g.gap <= 0 || (g.wanted !== null && g.gap < g.wanted)));
  function tagged() {
    const there = near.filter((g) => g.state !== "unknown" && g.onA.concat(g.onB).every((v) => v !== null) && (isShort(g) || g.wanted !== null));
    const keen = (g) => (g.state === "contact" ? -1e3 : g.gap - (g.wanted || 0));
    const short = there.filter(isShort).sort((a, b) => keen(a) - keen(b));
    return (short.length ? short : there.sort((a, b) => keen(a) - keen(b)).slice(0, 2)).slice(0, 5);
  }
  function paint() {
    const held = live.state.axle && slots[live.state.axle.name];
    if (!held) return;
    const close = new Set();
    if (shown.gaps) for (const g of near.filter(isShort)) { close.add(`${g.side} ${g.a}`); close.add(`${g.side} ${g.b}`); }
    for (const actor of held.actors.values()) for (const item of actor.node.children) {
      if (!item.isMesh || !item.userData.paint) continue;
      item.material = close.has(`${actor.side} ${item.name}`) ? linkview.alarmOf(item.userData.paint) : linkview.materialOf(item.userData.paint);
    }
    linkview.redraw();
  }

  // --- handles: a button on every hard point -----------------------------------------------------

  let selected = null, handles = new Map(), drag = null, knobs = {};
  const spot = new THREE.Vector3();
  function project(at) {
    spot.set(at[0] / 1000, at[1] / 1000, at[2] / 1000).project(camera);
    return { x: ((spot.x + 1) / 2) * canvas.clientWidth, y: ((1 - spot.y) / 2) * canvas.clientHeight, ahead: spot.z < 1 };
  }
  const nice = (name) => name.replace(/_/g, " ");
  function buildHandles() {
    const { axle } = live.state;
    const box = $("handles");
    box.replaceChildren();
    handles = new Map();
    if (!axle) return;
    for (const name of Object.keys(axle.points)) {
      const dot = el("button", { type: "button", class: "handle", "data-point": name, "aria-pressed": String(name === selected), "aria-label": `Hard point ${nice(name)}`, title: nice(name), onclick: () => { if (!drag || !drag.moved) select(name === selected && !drag ? null : name); } });
      dot.addEventListener("pointerdown", (event) => { if (name === selected) begin(event, "plane"); });
      dot.addEventListener("keydown", (event) => keyMove(event, name));
      handles.set(name, dot);
      box.append(dot);
    }
    knobs = {};
    for (const axis of ["x", "y", "z"]) {
      const knob = el("button", { type: "button", class: `knob ${axis}`, tabindex: "-1", "aria-label": `Drag along ${axis}` }, axis);
      knob.addEventListener("pointerdown", (event) => begin(event, axis));
      knobs[axis] = knob;
      box.append(knob);
    }
    overlay();
  }
  function select(name) {
    selected = name;
    for (const [n, dot] of handles) dot.setAttribute("aria-pressed", String(n === selected));
    lines();
    overlay();
    linkview.redraw();
    live.selectedChanged(name);
  }
  const showHandles = () => live.state.axle && (selected !== null || live.openTab() === "points");
  const atRide = () => { const p = live.state.pose; return p && Math.abs(p.rack) < 1e-6 && Math.abs(p.travel) < 1e-6 && Math.abs(p.roll) < 1e-6; };
  const still = (name) => live.state.axle.points[name].on === "body";
  const canDrag = () => selected !== null && live.state.car.writable && (still(selected) || atRide());

  const KNOB_PX = 18;
  function roomFor(x, y) {
    const top = $("views").getBoundingClientRect().bottom - frame.getBoundingClientRect().top;
    return x > KNOB_PX && x < canvas.clientWidth - KNOB_PX && y > top + KNOB_PX && y < canvas.clientHeight - KNOB_PX;
  }
  function overlay() {
    const { pose, axle } = live.state;
    camera.updateMatrixWorld();  // else drawing does, which is later than a change of the view
    $("handles").hidden = !showHandles();
    $("rays").replaceChildren();
    if (pose && axle && showHandles()) {
      const points = pose.points[axle.side];
      for (const [name, dot] of handles) {
        const at = points[name] && project(points[name]);
        dot.hidden = !at || !at.ahead;
        if (at) { dot.style.left = `${at.x}px`; dot.style.top = `${at.y}px`; }
      }
      const here = selected && points[selected];
      for (const [k, axis] of ["x", "y", "z"].entries()) {
        const knob = knobs[axis];
        if (!knob) continue;
        knob.hidden = !here || !canDrag();
        if (knob.hidden) continue;
        const from = project(here), ahead = [...here];
        ahead[k] += 40;
        const to = project(ahead), dx = to.x - from.x, dy = to.y - from.y, long = Math.hypot(dx, dy);
        knob.hidden = long < 4;
        // Where the buttons above the picture or its edge would cover it, on the other side.
        const far = 58 / Math.max(long, 1e-6), way = roomFor(from.x + dx * far, from.y + dy * far) ? far : -far;
        const x = from.x + dx * way, y = from.y + dy * way;
        knob.style.left = `${x}px`; knob.style.top = `${y}px`;
        if (!knob.hidden) $("rays").append(svg("line", { x1: from.x, y1: from.y, x2: x, y2: y, class: axis }));
      }
    }
    placeTags();
  }
  const tags = [];
  function placeTags() {
    const some = shown.gaps && live.state.pose ? tagged() : [];
    while (tags.length < some.length) { const t = el("p", { class: "gaptag" }); tags.push(t); $("gaptags").append(t); }
    const taken = [];
    tags.forEach((t, k) => {
      t.hidden = k >= some.length;
      if (t.hidden) return;
      const g = some[k], at = project([0, 1, 2].map((i) => (g.onA[i] + g.onB[i]) / 2));
      t.textContent = `${g.side === "left" ? "L" : "R"} ${g.a} – ${g.b}  ${g.state === "contact" ? "contact" : mm(g.gap)}`;
      t.classList.toggle("short", isShort(g));
      const w = t.offsetWidth, h = t.offsetHeight + 3;
      let x = Math.min(Math.max(at.x - w / 2, 6), canvas.clientWidth - w - 6), y = at.y - 34;
      for (let tries = 0; tries < 12 && taken.some((b) => x < b.x + b.w && x + w > b.x && y < b.y + b.h && y + h > b.y); tries++) y += h;
      taken.push({ x, y, w, h });
      t.style.left = `${x}px`; t.style.top = `${Math.min(Math.max(y, 58), canvas.clientHeight - h - 4)}px`;
    });
  }
  orbit.addEventListener("change", overlay);
  new ResizeObserver(() => overlay()).observe(canvas);

  // --- dragging ----------------------------------------------------------------------------------

  const eye = new THREE.Vector3(), far = new THREE.Vector3();
  /** The ray under a place on the canvas, in mm: a point and a unit direction. */
  function rayAt(event) {
    const box = frame.getBoundingClientRect();
    far.set(((event.clientX - box.left) / box.width) * 2 - 1, 1 - ((event.clientY - box.top) / box.height) * 2, 0.5).unproject(camera);
    eye.copy(camera.position);
    const way = far.sub(eye).normalize();
    return { from: [eye.x * 1000, eye.y * 1000, eye.z * 1000], way: [way.x, way.y, way.z] };
  }
  const dot3 = (a, b) => a[0] * b[0] + a[1] * b[1] + a[2] * b[2];
  function along(ray, start, axis) {
    const d = [0, 0, 0]; d[axis] = 1;
    const w = start.map((v, k) => v - ray.from[k]), b = dot3(d, ray.way), down = 1 - b * b;
    return down < 1e-4 ? null : (b * dot3(ray.way, w) - dot3(d, w)) / down;
  }
  function onPlane(ray, start, axis) {
    if (Math.abs(ray.way[axis]) < 0.05) return null;
    const t = (start[axis] - ray.from[axis]) / ray.way[axis];
    return ray.from.map((v, k) => v + t * ray.way[k]);
  }
  function begin(event, how) {
    if (!canDrag() || event.button > 0) return;
    event.preventDefault();
    const start = [...live.state.axle.points[selected].at], ray = rayAt(event);
    const axis = how === "plane" ? ray.way.map(Math.abs).indexOf(Math.max(...ray.way.map(Math.abs))) : "xyz".indexOf(how);
    const grip = how === "plane" ? onPlane(ray, start, axis) : along(ray, start, axis);
    if (grip === null) return;
    drag = { how, axis, start, grip, moved: false, gesture: `drag ${Date.now()}`, name: selected, last: start };
    event.target.setPointerCapture(event.pointerId);
    event.target.addEventListener("pointermove", move);
    event.target.addEventListener("pointerup", end, { once: true });
    event.target.addEventListener("pointercancel", end, { once: true });
  }
  const snapped = (v) => { const s = live.snap(); return Math.round(v / s) * s; };
  function move(event) {
    if (!drag) return;
    const ray = rayAt(event), at = [...drag.start];
    if (drag.how === "plane") {
      const now = onPlane(ray, drag.start, drag.axis);
      if (!now) return;
      for (const k of [0, 1, 2]) if (k !== drag.axis) at[k] = drag.start[k] + snapped(now[k] - drag.grip[k]);
    } else {
      const now = along(ray, drag.start, drag.axis);
      if (now === null) return;
      at[drag.axis] = drag.start[drag.axis] + snapped(now - drag.grip);
    }
    if (at.every((v, k) => Math.abs(v - drag.last[k]) < 1e-9)) return;
    drag.last = at; drag.moved = true;
    live.setPoint(drag.name, at, drag.gesture);
  }
  function end(event) {
    event.target.removeEventListener("pointermove", move);
    setTimeout(() => { drag = null; }, 0);
  }
  function keyMove(event, name) {
    const step = { ArrowLeft: [1, 1], ArrowRight: [1, -1], ArrowUp: [2, 1], ArrowDown: [2, -1], PageUp: [0, 1], PageDown: [0, -1] }[event.key];
    if (!step || name !== selected || !canDrag()) return;
    event.preventDefault();
    const at = [...live.state.axle.points[name].at];
    at[step[0]] += step[1] * live.snap();
    live.setPoint(name, at, "");
  }
  return { take, place, placeOthers, applyVisible, names, hidden, shown, lookFrom, cut, lines, gaps, overlay, buildHandles, select, selected: () => selected, canDrag, atRide, still, slots, view: () => view, isShort, rayAt, VIEWS };
})();
