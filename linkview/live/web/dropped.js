"use strict";
// A hard-point file dropped on the page: opened where it lies if that is found, else as a copy.
live.dropped = (() => {
  const { $, el, plain } = live.words;
  const { wire, state } = live;
  const LARGEST = 2e6;
  const box = $("dropping");
  let file = null, told = null;

  async function take(one) {
    if (one.size > LARGEST) { live.toast(`${one.name} is ${plain(one.size / 1e6, 0)} MB: no hard-point file is that long.`); return; }
    try { file = { name: one.name, text: await one.text() }; } catch { live.toast(`${one.name} cannot be read: drop it again.`); return; }
    wire.ask({ do: "dropped", ...file });
  }
  wire.on("dropped", (message) => {
    if (!file || message.name !== file.name) return;
    told = message;
    if (told.at && !(state.car && state.car.state.unsaved)) { open(); return; }
    ask();
  });
  const open = () => { wire.ask({ do: "open", path: told.at }); close(); };
  function close() { file = null; told = null; if (box.open) box.close(); }
  box.addEventListener("cancel", close);
  /** Words of a refusal, where they belong to the file that is asked about. */
  function refused(message) {
    if (message.of === "dropped") { close(); live.toast(message.words); return true; }
    if (message.of !== "open copy" || !box.open) return false;
    const lines = message.words.split("\n"), more = lines.length > 8 ? [el("p", {}, `and ${lines.length - 8} more`)] : [];
    $("dropfault").replaceChildren(el("p", { class: "warn" }, "Nothing was written or opened."), ...lines.slice(0, 8).map((line) => el("p", {}, line)), ...more);
    $("dropfault").hidden = false;
    return true;
  }
  function ask() {
    const kept = state.car && state.car.state.unsaved ? el("p", {}, `${state.car.state.file} has changes that are not saved. They are kept, and come back when it is opened again.`) : null;
    const fault = el("div", { id: "dropfault", role: "alert", hidden: true }), head = el("h2", { id: "drophead", tabindex: "-1" }, `Open ${file.name}?`);
    const leave = el("button", { type: "button", onclick: close }, "Leave it");
    if (told.at) box.replaceChildren(...[head, el("p", {}, `It lies at ${told.at}.`), kept, el("div", { class: "row" }, el("button", { type: "button", class: "strong", id: "dropopen", onclick: open }, "Open it"), leave)].filter(Boolean));
    else {
      const folder = el("input", { type: "text", id: "dropfolder", value: told.folder, spellcheck: "false", autocomplete: "off" }), name = el("input", { type: "text", id: "dropname", value: file.name, spellcheck: "false", autocomplete: "off" });
      const write = (event) => { event.preventDefault(); fault.hidden = true; wire.ask({ do: "open copy", text: file.text, folder: folder.value.trim(), name: name.value }); };
      box.replaceChildren(el("form", { onsubmit: write }, ...[head, el("p", {}, "A browser tells what is in a file, not where it lies: so a copy would be written and opened. What you change is then kept with the copy, not with your file."), kept,
        el("label", { for: "dropfolder" }, "Folder of the copy"), folder, el("label", { for: "dropname" }, "Its name"), name, el("p", { class: "note" }, "Never over a file that is there. Meshes that it names must lie in that folder too."), fault,
        el("div", { class: "row" }, el("button", { type: "submit", class: "strong", id: "dropcopy" }, "Write the copy and open it"), el("button", { type: "button", id: "dropfind", onclick: () => { close(); live.start.show(true); } }, "Find it where it lies …"), leave)].filter(Boolean)));
    }
    if (!box.open) box.showModal();
    head.focus();
  }
  return { take, refused };
})();
