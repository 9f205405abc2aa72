"use strict";
// The stage: solved poses on a grid, mixed for what lies between, drawn only when something moved.
const linkview = (() => {
  const data = JSON.parse(document.getElementById("data").textContent);
  const raw = atob(document.getElementById("blob").textContent);
  const bytes = new Uint8Array(raw.length);
  for (let k = 0; k < raw.length; k++) bytes[k] = raw.charCodeAt(k);
  const KINDS = { f4: Float32Array, i2: Int16Array, u2: Uint16Array, u4: Uint32Array, i1: Int8Array, u1: Uint8Array };
  const numbers = (item) => (ArrayBuffer.isView(item) ? item : new KINDS[item[0]](bytes.buffer, item[1], item[2]));

  // --- mixing ----------------------------------------------------------------------------------

  /** Where v lies among ascending values: the cell's index and the share of the way through it. */
  function locate(at, v) {
    if (at.length < 2) return [0, 0];
    let low = 0, high = at.length - 1;
    while (high - low > 1) { const mid = (low + high) >> 1; if (at[mid] <= v) low = mid; else high = mid; }
    return [low, Math.min(Math.max((v - at[low]) / (at[low + 1] - at[low]), 0), 1)];
  }

  /** A cell of a grid with the weights of its four corners, those of weight zero left out. */
  function cellOf(grid, rack, travel) {
    const [i, f] = locate(grid.rack, rack), [j, g] = locate(grid.travel, travel);
    const wide = grid.travel.length, corners = [];
    for (const [di, dj, w] of [[0, 0, (1 - f) * (1 - g)], [1, 0, f * (1 - g)], [0, 1, (1 - f) * g], [1, 1, f * g]])
      if (w > 0) corners.push([(i + di) * wide + j + dj, w]);
    return { i, j, corners, exact: corners.length === 1 };
  }

  /** A plain number of a grid at a cell; NaN where a corner has none. */
  const mixed = (values, cell) => cell.corners.reduce((sum, [at, w]) => sum + w * values[at], 0);

  const OUT = -32768;
  function isOpen(stage, cell) {
    if (cell.exact) return stage.solvedAt(cell.corners[0][0]);
    const wide = Math.max(stage.travel.length - 1, 1);
    return stage.shutCells[cell.i * wide + cell.j] === 0;
  }

  // --- without a graphics card -----------------------------------------------------------------

  // Without a graphics card the browser's own smoothing made a frame four times as long (758 ms
  // against 195 on a busy machine): then moving frames are drawn coarser, and finer once at rest.
  const soft = (() => {
    const trial = document.createElement("canvas").getContext("webgl2");
    if (!trial) return false;
    const known = trial.getExtension("WEBGL_debug_renderer_info");
    const name = known ? String(trial.getParameter(known.UNMASKED_RENDERER_WEBGL)) : "";
    trial.getExtension("WEBGL_lose_context")?.loseContext();
    return /swiftshader|llvmpipe|softpipe|software|basic render/i.test(name);
  })();

  // --- building --------------------------------------------------------------------------------

  const PAINTS = data.paints, materials = {};
  // Gloss costs a third of a frame where the processor draws it.
  const solid = ({ roughness, metalness, ...look }) => (soft ? new THREE.MeshLambertMaterial(look) : new THREE.MeshStandardMaterial({ ...look, roughness, metalness }));
  // What is solid marks its pixels, and the ghost each that it has drawn on: so it is strong beside
  // the car, faint over it, and nowhere twice.
  const SOLID = 4;
  const marking = { stencilWrite: true, stencilRef: SOLID, stencilFunc: THREE.AlwaysStencilFunc, stencilZPass: THREE.ReplaceStencilOp };
  function materialOf(paint) {
    if (materials[paint]) return materials[paint];
    const { hex, alpha, dull } = PAINTS[paint];
    const look = { color: hex, roughness: dull ? 0.92 : 0.48, metalness: dull ? 0 : 0.12 };
    if (alpha < 1) Object.assign(look, { transparent: true, opacity: alpha, depthWrite: false, side: THREE.DoubleSide });
    else Object.assign(look, marking);
    return (materials[paint] = solid(look));
  }
  const alarmed = {};
  function alarmOf(paint) {
    if (alarmed[paint]) return alarmed[paint];
    const mix = new THREE.Color(PAINTS[paint].hex).lerp(new THREE.Color(PAINTS.WARNING.hex), paint === "TYRE" ? 0.4 : 0.75);
    return (alarmed[paint] = solid({ color: mix, roughness: 0.7, metalness: 0, side: THREE.DoubleSide }));
  }
  const faded = solid({ color: "#8a97a8", roughness: 1, metalness: 0, transparent: true, opacity: 0.17, depthWrite: false });
  const ghostly = (opacity, stencilRef) => new THREE.MeshBasicMaterial({ color: PAINTS.GHOST.hex, transparent: true, opacity, depthWrite: false,
    stencilWrite: true, stencilRef, stencilFunc: THREE.EqualStencilFunc, stencilZPass: THREE.IncrementStencilOp, polygonOffset: true, polygonOffsetFactor: 2, polygonOffsetUnits: 8 });
  const beside = ghostly(0.36, 0), over = ghostly(0.1, SOLID);
  const faint = [];  // the ghost where it is seen over the car: half its cost, left out of coarse frames
  const edging = new THREE.LineBasicMaterial({ color: "#6d7a8b", transparent: true, opacity: 0.7 });

  function geometryOf(mesh) {
    const steps = numbers(mesh.points), points = new Float32Array(steps.length);
    for (let k = 0; k < steps.length; k++) points[k] = mesh.low[k % 3] + mesh.step[k % 3] * steps[k];
    const small = numbers(mesh.normals), normals = new Float32Array(small.length);
    for (let k = 0; k < small.length; k++) normals[k] = small[k] / 127;
    const shape = new THREE.BufferGeometry();
    shape.setAttribute("position", new THREE.BufferAttribute(points, 3));
    shape.setAttribute("normal", new THREE.BufferAttribute(normals, 3));
    shape.setIndex(new THREE.BufferAttribute(numbers(mesh.faces), 1));
    return shape;
  }

  const matrixOf = (rows) => new THREE.Matrix4().set(...rows);

  /** One axle in one state: a group of actors, each moved by its own part of the grid. */
  function buildStage(stage, ghost) {
    const group = new THREE.Group(), built = new Map();
    stage.shutCells = numbers(stage.shut);
    for (const actor of stage.actors) {
      if (actor.places) actor.numbers = numbers(actor.places);
      const node = new THREE.Group();
      node.matrixAutoUpdate = false;
      node.name = actor.name;
      const frame = matrixOf(actor.frame);
      node.matrix.copy(frame);
      const twin = actor.mirrorOf && built.get(actor.mirrorOf);
      const meshes = twin ? twin.meshes : actor.meshes.map((m) => ({ ...m, shape: m.shape || geometryOf(m) }));
      let turn = null;
      if (twin) turn = frame.clone().invert().multiply(new THREE.Matrix4().makeScale(1, -1, 1)).multiply(twin.frame);
      for (const mesh of meshes) {
        const add = (item, order) => {
          if (turn) { item.matrixAutoUpdate = false; item.matrix.copy(turn); }
          item.renderOrder = order; item.name = mesh.name; node.add(item); return item;
        };
        if (ghost) { add(new THREE.Mesh(mesh.shape, beside), 6); faint.push(add(new THREE.Mesh(mesh.shape, over), 6)); continue; }
        add(new THREE.Mesh(mesh.shape, materialOf(mesh.paint)), mesh.paint === "SHELL" ? 3 : 1).userData.paint = mesh.paint;
        if (mesh.paint === "SHELL") add(new THREE.LineSegments(new THREE.EdgesGeometry(mesh.shape, 35), edging), 4);
      }
      built.set(actor.name, { meshes, frame });
      actor.origin = [actor.frame[3], actor.frame[7], actor.frame[11]];
      actor.node = node;
      group.add(node);
    }
    const first = stage.actors.find((a) => a.numbers);
    const per = stage.actors.filter((a) => a.numbers);
    stage.solvedAt = (at) => per.every((a) => a.numbers[8 * at] !== OUT);
    stage.group = group;
    stage.moving = first ? per : [];
    return group;
  }

  const shift = new THREE.Vector3(), turn = new THREE.Quaternion(), scale = new THREE.Vector3();
  function placeActor(stage, actor, cell) {
    const p = actor.numbers, sum = [0, 0, 0, 0, 0, 0, 0, 0];
    for (const [at, w] of cell.corners) for (let k = 0; k < 8; k++) sum[k] += w * p[8 * at + k];
    shift.set(sum[0] * stage.shiftUnit + actor.origin[0], sum[1] * stage.shiftUnit + actor.origin[1], sum[2] * stage.shiftUnit + actor.origin[2]);
    turn.set(sum[3], sum[4], sum[5], sum[6]).normalize();
    scale.set(1, 1, 1 + sum[7] * stage.stretchUnit);
    actor.node.matrix.compose(shift, turn, scale);
    actor.node.matrixWorldNeedsUpdate = true;
  }

  /** Puts every part of a stage in place; false, and nothing moved, where that is out of reach. */
  function placeStage(stage, rack, travel) {
    const cell = cellOf(stage, rack, travel);
    if (!isOpen(stage, cell)) return false;
    for (const actor of stage.moving) placeActor(stage, actor, cell);
    return true;
  }

  // --- the window ------------------------------------------------------------------------------

  const canvas = document.getElementById("canvas"), tag = document.getElementById("tag");
  const FINE_AFTER_MS = 600;
  let renderer = null;
  try {
    renderer = new THREE.WebGLRenderer({ canvas, antialias: !soft, alpha: true, stencil: true });
  } catch { document.getElementById("nogl").hidden = false; }
  const ratio = soft ? 1.25 : Math.min(window.devicePixelRatio || 1, 2);
  const COARSE = 0.5;  // of the fine frame's width and height
  const scene = new THREE.Scene(), world = new THREE.Group();
  world.scale.setScalar(0.001);
  scene.add(world, new THREE.HemisphereLight("#ffffff", "#8894a5", 1.5));
  for (const [x, y, z, hex, strength] of [[3, 4, 6, "#fff4e4", 2.2], [4, -6, 2, "#e4eeff", 1.1], [-5, 1, 3, "#ffffff", 0.8]]) {
    const light = new THREE.DirectionalLight(hex, strength);
    light.position.set(x, y, z);
    scene.add(light);
  }
  const camera = new THREE.PerspectiveCamera(24, 1, 0.05, 60);
  camera.up.set(0, 0, 1);
  const orbit = new THREE.OrbitControls(camera, canvas);
  orbit.addEventListener("change", () => redraw());
  orbit.enableDamping = false;

  const marker = new THREE.Group();
  const ontop = { depthTest: false, transparent: true };
  const dots = [0, 1].map(() => {
    const dot = new THREE.Group();
    for (const [radius, color, order] of [[11, "#ffffff", 20], [7.5, "#161d27", 22]]) {
      const ball = new THREE.Mesh(new THREE.SphereGeometry(radius, 16, 12), new THREE.MeshBasicMaterial({ color, ...ontop }));
      ball.renderOrder = order;
      dot.add(ball);
    }
    return dot;
  });
  const stroke = new THREE.Line(new THREE.BufferGeometry(), new THREE.LineBasicMaterial({ color: "#161d27", ...ontop }));
  stroke.renderOrder = 21;
  marker.add(...dots, stroke);
  marker.visible = false;
  world.add(marker);

  const state = { axle: null, rack: 0, travel: 0, ghost: true, reached: true, gap: null, inputAt: 0, drawnAfterMs: null, sparing: false };
  const listeners = [];
  // One frame at a time, of what stands at the end of the task that asked for it: at once when none
  // is being drawn, else as soon as that one is through, so that no frames queue for the processor.
  let drawing = false, wanted = false, asked = false, pace = "resting", restTimer = 0;
  function redraw() {
    if (!renderer || asked) return;
    asked = true;
    queueMicrotask(() => {
      asked = false;
      if (soft) {
        clearTimeout(restTimer);
        restTimer = setTimeout(rest, FINE_AFTER_MS);
      }
      if (drawing) wanted = true; else drawAt("moving");
    });
  }
  // A coarse frame fills a corner of the canvas, which is then shown larger. Giving the canvas another
  // size instead waits until the frame before it is drawn: up to 230 ms after a fine one.
  function spread(share) {
    const { clientWidth: w, clientHeight: h } = canvas;
    renderer.setViewport(0, 0, w * share, h * share);
    renderer.setScissor(0, 0, w * share, h * share);
    renderer.setScissorTest(share < 1);
    canvas.style.transform = share < 1 ? `scale(${1 / share})` : "";
  }
  function rest() {
    if (state.sparing) restTimer = setTimeout(rest, FINE_AFTER_MS); else drawAt("resting");
  }
  function drawAt(newPace) {
    if (soft && pace !== newPace) { pace = newPace; spread(pace === "moving" ? COARSE : 1); }
    for (const item of faint) item.visible = pace === "resting" || !soft;
    wanted = false;
    renderer.render(scene, camera);
    if (state.inputAt) { state.drawnAfterMs = performance.now() - state.inputAt; state.inputAt = 0; }
    placeTag();
    if (drawing || pace === "resting" && soft) return;  // a frame at rest holds up no move
    drawing = true;
    whenDrawn(() => { drawing = false; if (wanted) drawAt("moving"); });
  }
  function whenDrawn(then) {
    if (!soft) { requestAnimationFrame(then); return; }
    const gl = renderer.getContext(), mark = gl.fenceSync(gl.SYNC_GPU_COMMANDS_COMPLETE, 0), since = performance.now();
    gl.flush();
    const look = () => {
      const through = !mark || gl.isContextLost() || gl.getSyncParameter(mark, gl.SYNC_STATUS) === gl.SIGNALED || performance.now() - since > 1000;
      if (!through) { setTimeout(look, 8); return; }
      gl.deleteSync(mark);
      // While a changed car is reckoned, two thirds of the processor's time are left to that.
      if (state.sparing) setTimeout(then, 2 * (performance.now() - since)); else requestAnimationFrame(then);
    };
    setTimeout(look, 8);
  }

  function placeTag() {
    tag.hidden = !(marker.visible && state.gap);
    if (tag.hidden) return;
    const g = state.gap, at = new THREE.Vector3(...[0, 1, 2].map((k) => (g.onA[k] + g.onB[k]) / 2000)).project(camera);
    tag.style.left = `${((at.x + 1) / 2) * canvas.clientWidth}px`;
    tag.style.top = `${((1 - at.y) / 2) * canvas.clientHeight}px`;
  }

  function fit() {
    const { clientWidth: w, clientHeight: h } = canvas;
    if (!renderer || !w || !h) return;
    renderer.setPixelRatio(ratio);
    renderer.setSize(w, h, false);
    if (soft) spread(pace === "moving" ? COARSE : 1);
    camera.aspect = w / h;
    camera.updateProjectionMatrix();
    redraw();
  }

  /** The direction the eye looks from, and as near as the axle just fits. */
  function lookFrom([x, y, z]) {
    const { middle, radius } = state.axle.frame;
    const narrow = Math.min(1, camera.aspect);
    const away = (radius / 1000 / Math.sin((camera.fov * Math.PI) / 360)) / Math.sqrt(narrow) * (narrow < 1 ? 1.0 : 0.8);
    const eye = new THREE.Vector3(x, y, z).normalize().multiplyScalar(away);
    orbit.target.set(...middle.map((v) => v / 1000));
    camera.position.copy(orbit.target).add(eye);
    orbit.update();
    redraw();
  }

  function showAxle(name) {
    state.axle = data.axles.find((a) => a.name === name);
    for (const axle of data.axles) {
      const on = axle === state.axle;
      if (on && !axle.stage.group) {
        world.add(buildStage(axle.stage, false));
        if (axle.ghost) world.add(buildStage(axle.ghost, true));
      }
      if (axle.stage.group) axle.stage.group.visible = on;
      if (axle.ghost && axle.ghost.group) axle.ghost.group.visible = on && state.ghost;
    }
    clearGap();
    setPose(0, 0);
    lookFrom(state.axle.views[0].from);
  }

  function setPose(rack, travel, inputAt) {
    const { stage, ghost } = state.axle;
    if (inputAt && !state.inputAt) state.inputAt = inputAt;  // the first that waits
    state.rack = Math.min(Math.max(rack, stage.rack[0]), stage.rack[stage.rack.length - 1]);
    state.travel = Math.min(Math.max(travel, stage.travel[0]), stage.travel[stage.travel.length - 1]);
    state.reached = placeStage(stage, state.rack, state.travel);
    canvas.parentElement.classList.toggle("unreached", !state.reached);
    if (ghost) ghost.group.visible = state.ghost && !state.gap && placeStage(ghost, state.rack, state.travel);
    if (state.gap && (Math.abs(state.gap.rack - state.rack) > 0.01 || Math.abs(state.gap.travel - state.travel) > 0.01)) marker.visible = false;
    redraw();  // before the figures: they take longer than the parts
    for (const heard of listeners) heard();
    return state.reached;
  }

  /** Marks two bodies of one side and fades all else; with no names everything is as painted. */
  function paintBodies(axle, side, names) {
    for (const actor of axle.stage.actors) for (const item of actor.node.children) {
      if (!item.isMesh) continue;
      const { paint } = item.userData, marked = actor.side === side && names.includes(item.name);
      item.material = !names.length ? materialOf(paint) : marked ? alarmOf(paint) : paint === "SHELL" || paint === "PAD" ? materialOf(paint) : faded;
    }
  }

  function clearGap() {
    for (const axle of data.axles) if (axle.stage.group) paintBodies(axle, "", []);
    state.gap = null; marker.visible = false; tag.hidden = true;
  }

  /** Goes to the pose of a pair's least gap, marks both bodies and the places nearest each other. */
  function showGap(gap) {
    clearGap();
    state.gap = gap;
    paintBodies(state.axle, gap.side, [gap.a, gap.b]);
    const there = gap.rack !== null && gap.onA.every((v) => v !== null) && gap.onB.every((v) => v !== null);
    if (gap.rack !== null) setPose(gap.rack, gap.travel);
    if (!there) return redraw();
    dots[0].position.set(...gap.onA); dots[1].position.set(...gap.onB);
    stroke.geometry.setAttribute("position", new THREE.Float32BufferAttribute([...gap.onA, ...gap.onB], 3));
    marker.visible = true;
    tag.textContent = gap.tag;
    const at = new THREE.Vector3(...[0, 1, 2].map((k) => (gap.onA[k] + gap.onB[k]) / 2000));
    const out = gap.side === "left" ? 1 : -1;
    orbit.target.copy(at);
    camera.position.copy(at).add(new THREE.Vector3(state.axle.steered ? 1.5 : -1.5, -out * 0.9, 0.95));
    orbit.update();
    redraw();
    for (const heard of listeners) heard();
  }

  canvas.addEventListener("keydown", (event) => {
    const turns = { ArrowLeft: [-0.08, 0], ArrowRight: [0.08, 0], ArrowUp: [0, 0.06], ArrowDown: [0, -0.06] }[event.key];
    const nearer = { "+": 0.9, "=": 0.9, "-": 1.1 }[event.key];
    if (!turns && !nearer) return;
    event.preventDefault();
    const eye = camera.position.clone().sub(orbit.target);
    const far = eye.length() * (nearer || 1), flat = Math.atan2(eye.y, eye.x) + (turns ? turns[0] : 0);
    const up = Math.min(Math.max(Math.asin(eye.z / eye.length()) + (turns ? turns[1] : 0), -1.4), 1.5);
    camera.position.copy(orbit.target).add(new THREE.Vector3(Math.cos(flat) * Math.cos(up), Math.sin(flat) * Math.cos(up), Math.sin(up)).multiplyScalar(far));
    orbit.update();
    redraw();
  });
  new ResizeObserver(fit).observe(canvas);
  fit();

  /** Where a point fixed to an actor's own frame stands, car's frame, mm: for checks. */
  function standsAt(actorName, local) {
    const actor = state.axle.stage.actors.find((a) => a.name === actorName);
    return new THREE.Vector3(...local).applyMatrix4(actor.node.matrix).toArray();
  }

  return { data, state, numbers, cellOf, mixed, isOpen, showAxle, setPose, showGap, clearGap, lookFrom, redraw, listeners, standsAt,
    // for a page that brings its own shapes and poses
    KINDS, buildStage, geometryOf, materialOf, alarmOf, faded, scene, world, camera, orbit, renderer, canvas };
})();
