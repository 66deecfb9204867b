// The page's frame: which sheet is shown, what is being done, taking back. Sheets stand in modules of their own.
import { show as frames } from "./frames.js";
import { flush, show as picture } from "./picture.js";
import { show as night } from "./night.js";
import { show as vigil } from "./vigil.js";

export const $ = (id) => document.getElementById(id);

/** An element with attributes and children; text is text, never markup. */
export function el(name, attributes = {}, ...children) {
  const svg = ["svg", "circle", "line", "rect", "image", "g", "path", "title", "text"].includes(name) && !(attributes.html);
  const e = svg ? document.createElementNS("http://www.w3.org/2000/svg", name) : document.createElement(name);
  for (const [key, value] of Object.entries(attributes)) {
    if (key === "html" || value === undefined || value === null || value === false) continue;
    if (key.startsWith("on")) e.addEventListener(key.slice(2), value);
    else e.setAttribute(key, value === true ? "" : value);
  }
  e.append(...children.filter((c) => c !== null && c !== undefined));
  return e;
}

/** Says a sentence to eyes and to screen readers. */
export function say(words, bad = false) {
  // What lies behind an open dialog is not seen.
  for (const said of [$("said"), document.querySelector("dialog[open] .said")]) {
    if (!said) continue;
    said.textContent = words;
    said.classList.toggle("bad", bad);
  }
}

/** Asks the program; what it refuses is said and thrown. */
export async function ask(way, body) {
  const request = body === undefined ? {} : { method: "POST", headers: { "content-type": "application/json" }, body: JSON.stringify(body) };
  let answer;
  try {
    answer = await fetch(way, request);
  } catch {
    say("the program does not answer: is it still running in its terminal?", true);
    throw new Error("no answer");
  }
  if (!answer.ok) {
    const text = await answer.text();
    let why = text;
    try { why = JSON.parse(text).error; } catch { /* it was a plain sentence */ }
    say(why, true);
    throw new Error(why);
  }
  return answer;
}
export const json = async (way) => (await ask(way)).json();

export let state = {};
const sheets = { frames, picture, night, vigil };
let shown = null;

/** What there is, anew; the sheet is shown again where that is asked, or where a job has ended. */
export async function refresh(again = false) {
  const before = state;
  state = await json("/api/state");
  document.title = `${state.title ?? state.folder ?? "moonloom"} – moonloom`;
  $("title").textContent = state.title ?? state.folder ?? "moonloom";
  $("undo").disabled = state.undo === 0;
  $("redo").disabled = state.redo === 0;
  $("job").hidden = !state.runs;
  if (state.runs) {
    const done = state.job.has_no_steps ? `${state.job.done} %` : `${state.job.done} of ${state.job.of}`;
    $("job-words").textContent = `${state.job.what}: ${done}`;
    $("job-bar").max = Math.max(1, state.job.of);
    $("job-bar").value = state.job.done;
    $("stop").hidden = !state.job.can_stop;
    setTimeout(refresh, 400);
  } else if (before.runs && state.job.ended) {
    say(state.job.ended, state.job.failed);
    // Whoever is writing goes on writing.
    again = !$("sheet").contains(document.activeElement) || !["TEXTAREA", "INPUT"].includes(document.activeElement.tagName);
  }
  if (again) await open();
}

async function open() {
  const name = sheets[location.hash.slice(1)] ? location.hash.slice(1) : "frames";
  for (const a of document.querySelectorAll("nav a")) {
    if (a.hash === `#${name}`) a.setAttribute("aria-current", "page");
    else a.removeAttribute("aria-current");
  }
  const changed = shown !== name;
  // What was refused on another sheet is of no use here.
  if (changed && shown !== null) say("");
  shown = name;
  try {
    await sheets[name]($("sheet"), changed);
  } catch (e) {
    console.info(`${e.message}`);
  }
}

async function step(way) {
  await flush();
  const { what } = await (await ask(way, {})).json();
  await refresh(true);
  say(`${way.endsWith("undo") ? "taken back" : "done again"}: ${what}`);
}

$("undo").addEventListener("click", () => step("/api/undo"));
$("redo").addEventListener("click", () => step("/api/redo"));
$("stop").addEventListener("click", () => ask("/api/stop", {}));
document.addEventListener("keydown", (e) => {
  const writes = ["TEXTAREA", "INPUT", "SELECT"].includes(e.target.tagName);
  if ((e.ctrlKey || e.metaKey) && e.key.toLowerCase() === "z" && !writes) {
    e.preventDefault();
    step(e.shiftKey ? "/api/redo" : "/api/undo").catch(() => {});
  }
});
// What was refused was said.
addEventListener("unhandledrejection", (e) => e.preventDefault());
addEventListener("hashchange", () => { open(); $("sheet").focus(); });
const light = localStorage.getItem("light") ?? "desk";
document.documentElement.dataset.light = light;
$("light").value = light;
$("light").addEventListener("change", (e) => {
  document.documentElement.dataset.light = e.target.value;
  localStorage.setItem("light", e.target.value);
});
await refresh(true).catch(() => {});
