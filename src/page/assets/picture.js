// The picture: begun from a layout, changed by its fields or its text, seen at once, written.
import { $, ask, el, json, refresh, say, state } from "./page.js";
import { controls } from "./fields.js";
import { byHand as isByHand, handles } from "./handles.js";
import { moments } from "./moments.js";
import { trueWindow } from "./window.js";

const SIDE = 1600;
let schema = null, drawing = false, again = false;
/** The board on the sheet: another layout lays another. */
let board = null;
/** Its window of true pixels, what can be taken hold of, the moments of the night. */
let pixels = null, hands = null, night = null;
/** What was typed and not sent yet. */
let typed = null;

/** Sends what was typed, before anything else is changed. */
export async function flush() {
  if (!typed) return;
  const { timer, send } = typed;
  typed = null;
  clearTimeout(timer);
  await send();
}

/** Draws the picture; while that takes the old one stays, and of several wishes the last counts. */
async function draw() {
  if (drawing) { again = true; return; }
  drawing = true;
  const shown = board.querySelector(".shown");
  try {
    const answer = await ask(`/api/picture?side=${SIDE}`);
    if (answer.headers.get("content-type") !== "image/jpeg") {
      cannot(shown, (await answer.json()).cannot);
      return;
    }
    const { composition, said } = await json(`/api/composition?side=${SIDE}`);
    // The layout was changed since: another picture comes.
    if (!composition) return;
    const image = shown.querySelector("img");
    const old = image.src;
    image.hidden = false;
    image.src = URL.createObjectURL(await answer.blob());
    await image.decode();
    image.alt = `${composition.title ?? "the picture"}: ${composition.placements.length} discs`;
    if (old.startsWith("blob:")) URL.revokeObjectURL(old);
    shown.querySelector(".cannot")?.remove();
    shown.classList.remove("old");
    shown.style.setProperty("--shape", composition.width / composition.height);
    spots(shown.querySelector(".whole"), composition);
    pixels.changed();
    await hands.draw();
    await night.update(composition);
    board.querySelector(".time").textContent = `${composition.placements.length} discs, ${answer.headers.get("x-seconds")} s`;
    board.querySelector(".remarks").replaceChildren(...said.map((d) => el("li", {}, `${d.severity}: ${d.message}${d.help ? ` (${d.help})` : ""}`)));
  } catch { /* it was said */ } finally {
    drawing = false;
    if (again) { again = false; draw(); }
  }
}

/** Where no picture comes: why, and the way back; one that was there before is seen to be no longer true. */
function cannot(shown, why) {
  shown.querySelector(".cannot")?.remove();
  shown.querySelectorAll(".spot").forEach((s) => s.remove());
  shown.classList.add("old");
  board.querySelector(".time").textContent = "";
  board.querySelector(".remarks").replaceChildren();
  const back = el("button", { type: "button", disabled: state.undo === 0, onclick: () => $("undo").click() }, "Take the last change back");
  const image = shown.querySelector("img");
  image.hidden = !image.src;
  pixels.gone();
  hands.gone();
  shown.prepend(el("div", { class: "cannot", role: "alert" }, el("strong", {}, "This layout makes no picture of this night."), el("p", { class: "fault" }, why), el("div", { class: "row" }, back)));
}

/** Over each disc a place that says which it is. */
function spots(whole, composition) {
  whole.querySelectorAll(".spot").forEach((s) => s.remove());
  for (const p of composition.placements) {
    const [x, y] = p.map.canvas_centre_px, r = Math.max(p.radius_px, 6);
    const lift = p.lift ? `, raised by ${p.lift.stops.toFixed(1)} stops` : "";
    const words = `${p.frame}, ${p.utc.slice(0, 19).replace("T", " ")} UTC${p.quality === null ? "" : `, quality ${p.quality.toFixed(2)}`}${p.lacks ? `, ${p.lacks}` : ""}${p.simulated ? ", not photographed" : ""}${lift}`;
    const spot = el("button", { type: "button", class: "spot", title: words, "aria-label": words, onfocus: () => say(words), onmouseenter: () => say(words) });
    const percent = (v, of) => `${100 * v / of}%`;
    Object.assign(spot.style, { left: percent(x - r, composition.width), top: percent(y - r, composition.height), width: percent(2 * r, composition.width), height: percent(2 * r, composition.height) });
    whole.append(spot);
  }
}

/** A fault of the layout's text, with its place. */
const inWords = (f) => `${f.place ? `line ${f.place.line}, column ${f.place.column}: ` : ""}${f.message}${f.help ? `\n${f.help}` : ""}`;

async function fieldsOf(panel) {
  schema ??= await json("/api/layout/fields");
  const layout = await json("/api/layout");
  const open = [...panel.querySelectorAll("details[open] > summary")].map((s) => s.textContent);
  const set = async (way, value, more = false) => {
    try {
      await flush();
      await ask("/api/layout/value", { way, value, more });
      say(value === null && !more ? `${way.join(": ")} is taken out` : more ? `one more of ${way.join(": ")}` : `${way.join(": ")} is ${value} now`);
    } catch {
      // What cannot be is shown as it is.
      await fieldsOf(panel);
      return;
    }
    await refresh();
    // The fields anew, and the focus where it was.
    const at = document.activeElement?.dataset?.way;
    await fieldsOf(panel);
    if (at) panel.querySelector(`[data-way="${CSS.escape(at)}"]`)?.focus();
    draw();
  };
  const text = el("textarea", { spellcheck: "false", "aria-label": "the layout's text" });
  text.value = layout.text;
  // Above the fields, and beside the text, wherever one has scrolled to.
  const faults = [el("div", {}), el("div", {})];
  const tell = (found) => faults.forEach((f) => f.replaceChildren(...found.map((d) => el("p", { class: "fault" }, inWords(d)))));
  tell(layout.faults);
  text.addEventListener("input", () => {
    if (typed) clearTimeout(typed.timer);
    const send = async () => {
      await ask("/api/layout", { text: text.value });
      const now = await json("/api/layout");
      tell(now.faults);
      await refresh();
      if (now.faults.length) cannot(board.querySelector(".shown"), inWords(now.faults[0]));
      else draw();
    };
    typed = { send, timer: setTimeout(() => flush().catch(() => {}), 500) };
  });
  // A text that cannot be read leaves the fields as they were, and out of reach.
  const parts = layout.values ? controls(schema, layout.values, schema, set) : [el("p", { class: "faint" }, "The fields come back when the text below can be read again.")];
  panel.replaceChildren(faults[0], el("div", { class: "fields" }, ...parts), el("details", { open: !layout.values }, el("summary", {}, "The text itself"), faults[1], text));
  for (const d of panel.querySelectorAll("details")) if (open.includes(d.querySelector("summary").textContent)) d.open = true;
}

async function chooser(sheet) {
  const { layouts } = await json("/api/layouts");
  const list = el("div", { class: "previews" });
  for (const l of layouts) {
    const image = el("img", { alt: "", loading: "lazy", width: 300, height: 200 });
    list.append(el("button", { type: "button", onclick: async () => {
      await ask(`/api/layouts/${encodeURIComponent(l.name)}/open`, {});
      await refresh();
      await show(sheet, true);
      say(`begun from ${l.name}`);
    } }, image, el("strong", {}, l.name), el("span", { class: "faint" }, l.words)));
    // One after another: each is a picture of this night.
    image.dataset.way = `/api/layouts/${encodeURIComponent(l.name)}/preview?side=320`;
  }
  const box = el("details", {}, el("summary", {}, "Begin from another layout"), list);
  box.addEventListener("toggle", async () => {
    if (!box.open) return;
    for (const image of list.querySelectorAll("img[data-way]")) {
      const way = image.dataset.way;
      delete image.dataset.way;
      const answer = await fetch(way);
      if (answer.headers.get("content-type") === "image/jpeg") image.src = URL.createObjectURL(await answer.blob());
      else image.replaceWith(el("span", { class: "fault" }, (await answer.json()).cannot));
    }
  });
  return box;
}

export async function show(sheet, changed) {
  if (!state.registered) {
    sheet.replaceChildren(el("p", {}, "A picture is made of what was found in the frames: ", el("a", { href: "#frames" }, "look for the Moon first"), "."));
    return;
  }
  if (!changed && sheet.querySelector(".board")) {
    // Something was taken back: fields and picture as they are now.
    await fieldsOf(board.querySelector(".panel"));
    draw();
    return;
  }
  const { layouts } = await json("/api/layouts");
  const name = el("input", { "aria-label": "the layout's name", value: /in-work/.test(state.layout) || layouts.some((l) => !l.own && l.name === state.layout) ? "my-layout.ron" : state.layout });
  const file = el("input", { "aria-label": "the picture's name", value: "picture.tif" });
  const zoom = el("button", { type: "button", "aria-pressed": "false", onclick: async (e) => {
    const on = e.target.getAttribute("aria-pressed") !== "true";
    e.target.setAttribute("aria-pressed", String(on));
    pixels.set(on);
  } }, "True pixels");
  const follow = async () => {
    await refresh();
    await fieldsOf(panel);
    await draw();
  };
  const byHand = el("button", { type: "button", "aria-pressed": String(isByHand), onclick: (e) => {
    const on = e.target.getAttribute("aria-pressed") !== "true";
    e.target.setAttribute("aria-pressed", String(on));
    hands.set(on);
  } }, "Arrange by hand");
  const whole = el("div", { class: "whole" }, el("img", { alt: "" }));
  const shown = el("div", { class: "shown", tabindex: "0", role: "group", "aria-label": "the picture" }, whole);
  pixels = trueWindow(shown, whole);
  hands = handles(whole, flush, follow);
  night = moments(flush, follow);
  const panel = el("div", { class: "panel" });
  board = el("div", { class: "board" },
    el("div", {}, el("div", { class: "row" }, zoom, byHand, el("span", { class: "time faint" })), shown, night.part, el("ul", { class: "remarks faint" })),
    el("div", {},
      el("div", { class: "row" }, name, el("button", { type: "button", onclick: async () => { await ask("/api/layout/save", { name: name.value }); await refresh(); say(`${name.value} is written beside the frames`); } }, "Save layout")),
      el("div", { class: "row" }, file, el("button", { type: "button", class: "first", onclick: async () => { await ask("/api/write", { name: file.value }); await refresh(); } }, "Write the picture")),
      el("p", { class: "faint" }, ".tif, .png, .exr or .jpg: kind, depth and colour space as the layout's output says"), panel));
  sheet.replaceChildren(await chooser(sheet), board);
  await fieldsOf(panel);
  await draw();
}
