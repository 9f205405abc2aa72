"use strict";
// Joint axes and what they allow: a cone round a stud or straight direction that the part must stay
// in, and for a rod end the bolt with the band that the rod must stay in. Red where it does not.
live.joints = (() => {
  const { $, el, plain } = live.words;
  const { world, camera, canvas, orbit } = linkview;
  const LONG = 75, TURNS = 40;
  const skin = (color) => new THREE.MeshBasicMaterial({ color, transparent: true, opacity: 0.34, depthTest: false, depthWrite: false, side: THREE.DoubleSide });
  const wire = (color) => new THREE.LineBasicMaterial({ color, depthTest: false, transparent: true, opacity: 0.95 });
  const LOOKS = { fine: [skin("#0b7f8f"), wire("#075e6a")], over: [skin("#b3211d"), wire("#b3211d")] };
  const group = new THREE.Group();
  world.add(group);
  let held = [];

  const cross = (a, b) => [a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]];
  const dot = (a, b) => a[0] * b[0] + a[1] * b[1] + a[2] * b[2];
  const unit = (a) => { const l = Math.hypot(...a); return a.map((v) => v / l); };
  /** A ring of places: `along` the axis, `out` from it. */
  function ring(joint, along, out) {
    const first = unit(cross(joint.axis, Math.abs(joint.axis[0]) < 0.8 ? [1, 0, 0] : [0, 1, 0])), second = cross(joint.axis, first);
    return Array.from({ length: TURNS + 1 }, (_, k) => {
      const a = (2 * Math.PI * k) / TURNS, c = out * Math.cos(a), s = out * Math.sin(a);
      return joint.at.map((v, i) => v + along * joint.axis[i] + c * first[i] + s * second[i]);
    });
  }
  function shapeOf(joint) {
    const angle = (joint.allowed * Math.PI) / 180, faces = [], lines = [];
    const strip = (a, b) => { for (let k = 0; k < TURNS; k++) faces.push(a[k], b[k], b[k + 1], a[k], b[k + 1], a[k + 1]); };
    const edge = (a) => { for (let k = 0; k < TURNS; k++) lines.push(a[k], a[k + 1]); };
    const on = (mm) => joint.at.map((v, i) => v + mm * joint.axis[i]);
    if (joint.kind === "rod_end") {
      const low = ring(joint, -LONG * Math.sin(angle), LONG * Math.cos(angle)), high = ring(joint, LONG * Math.sin(angle), LONG * Math.cos(angle));
      strip(low, high); edge(low); edge(high);
      lines.push(on(-0.6 * LONG), on(0.6 * LONG));
    } else {
      const way = dot(joint.axis, joint.member) < 0 ? -1 : 1;
      const rim = ring(joint, way * LONG * Math.cos(angle), LONG * Math.sin(angle)), tip = Array(TURNS + 1).fill(joint.at);
      strip(tip, rim); edge(rim);
      lines.push(joint.at, on(way * 1.25 * LONG));
    }
    lines.push(joint.at, joint.at.map((v, i) => v + 1.05 * LONG * joint.member[i]));
    return [faces, lines];
  }
  function geometry(places) {
    const shape = new THREE.BufferGeometry();
    shape.setAttribute("position", new THREE.Float32BufferAttribute(places.flat(), 3));
    return shape;
  }
  const over = (joint) => joint.used === null || joint.used > joint.allowed;
  function show(bySide) {
    for (const item of [...group.children]) { group.remove(item); item.geometry.dispose(); }
    held = bySide ? [...bySide.left, ...bySide.right] : [];
    for (const joint of held) {
      const [face, line] = LOOKS[over(joint) ? "over" : "fine"], [faces, lines] = shapeOf(joint);
      const cone = new THREE.Mesh(geometry(faces), face), drawn = new THREE.LineSegments(geometry(lines), line);
      cone.renderOrder = 23; drawn.renderOrder = 24;
      group.add(cone, drawn);
    }
    say();
  }
  /** What is drawn, in words: beside the picture, so that colour alone tells nothing. */
  function say() {
    let box = $("jointwords");
    if (!box) { box = el("div", { id: "jointwords", role: "group", "aria-label": "Joint angles at this pose", tabindex: "0" }); document.querySelector(".stage").append(box); }
    box.hidden = !held.length;
    const worst = new Map();
    for (const j of held) { const old = worst.get(j.words); if (!old || (j.used ?? 1e9) / j.allowed > (old.used ?? 1e9) / old.allowed) worst.set(j.words, j); }
    box.replaceChildren(...[...worst.values()].sort((a, b) => b.used / b.allowed - a.used / a.allowed).map((j) =>
      el("p", { class: over(j) ? "warn" : "" }, `${over(j) ? "! " : ""}${j.words} ${plain(j.used, 1)}° of ${plain(j.allowed, 1)}°`)));
  }
  return { show, held: () => held };
})();
