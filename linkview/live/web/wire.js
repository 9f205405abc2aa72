"use strict";
// The socket: one question of a kind on its way at a time, and of those waiting only the newest.
live.wire = (() => {
  const heard = {}, waiting = {}, away = {};
  let socket = null, seq = 0, tries = 0;
  const NEWEST = ["pose", "edit", "curves"];
  const ANSWERS = { pose: "pose", edited: "edit", curves: "curves" };

  function open() {
    socket = new WebSocket(`ws://${location.host}/socket`);
    socket.binaryType = "arraybuffer";
    socket.onopen = () => {
      tries = 0;
      for (const kind of NEWEST) { delete away[kind]; delete waiting[kind]; }
      tell("connected", {});
      send({ do: "hello" });
    };
    socket.onmessage = (event) => {
      const message = typeof event.data === "string" ? JSON.parse(event.data) : unpacked(event.data);
      const of = message.kind === "refused" ? message.of : ANSWERS[message.kind];
      tell(message.kind, message);
      if (of) settle(of);
    };
    socket.onclose = () => {
      socket = null;
      tell("lost", {});
      setTimeout(open, Math.min(4000, 400 * 2 ** tries++));
    };
  }
  function unpacked(buffer) {
    const long = new DataView(buffer).getUint32(0, true);
    const message = JSON.parse(new TextDecoder().decode(new Uint8Array(buffer, 4, long)));
    message.buffer = buffer;
    message.body = 4 + long;
    return message;
  }
  function send(message) {
    if (socket && socket.readyState === WebSocket.OPEN) socket.send(JSON.stringify(message));
  }
  /** Bytes as they are: a piece of a file. */
  function bytes(piece) { if (socket && socket.readyState === WebSocket.OPEN) socket.send(piece); }
  function settle(kind) {
    clearTimeout(away[kind]);
    delete away[kind];
    if (waiting[kind]) { const next = waiting[kind]; delete waiting[kind]; ask(next); }
  }
  /** Sends a message; of pose, edit and curves only the newest waits while one is answered. */
  function ask(message) {
    const kind = message.do;
    if (!NEWEST.includes(kind)) return send({ ...message, seq: ++seq });
    if (away[kind]) { waiting[kind] = message; return undefined; }
    away[kind] = setTimeout(() => settle(kind), 4000);
    return send({ ...message, seq: ++seq });
  }
  function on(kind, what) { (heard[kind] = heard[kind] || []).push(what); }
  function tell(kind, message) { for (const what of heard[kind] || []) what(message); }
  /** How many questions wait or are on their way: for checks. */
  const pending = () => Object.keys(away).length + Object.keys(waiting).length;
  return { open, ask, bytes, on, pending, connected: () => Boolean(socket && socket.readyState === WebSocket.OPEN), drop: () => socket && socket.close() };
})();
