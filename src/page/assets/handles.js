// What of the picture can be taken hold of, shown over it: dragged, or moved by the arrow keys.
import { ask, el, json, say } from "./page.js";

/** How far an arrow key moves something, in shares of the picture's sides; with Shift. */
const STEP = 0.005, FINE = 0.001;
/** An arrow key is done with when none follows for so long, milliseconds. */
const PAUSE = 500;

/** Whether things are arranged by hand: that stays when another layout is begun. */
export let byHand = false;

/** Shows the layout's handles over the picture, or none; `before` is waited for before one is moved, `changed` is told after. */
export function handles(whole, before, changed) {
  let held = false, again = false;
  const clear = () => {
    held = false;
    whole.querySelectorAll(".handle").forEach((h) => h.remove());
  };

  /** Lays a handle at a place; an edge keeps its length. */
  const lay = (button, at, edge) => {
    const percent = (v) => `${100 * v}%`;
    const upright = edge && edge[0][0] === edge[1][0];
    const [x, y] = edge ? [upright ? at[0] : edge[0][0], upright ? edge[0][1] : at[1]] : at;
    Object.assign(button.style, { left: percent(x), top: percent(y) });
    if (edge) Object.assign(button.style, upright ? { height: percent(edge[1][1] - edge[0][1]) } : { width: percent(edge[1][0] - edge[0][0]) });
  };

  const move = async (name, at) => {
    try {
      await before();
      const edits = await (await ask("/api/layout/handles", { name, at })).json();
      held = false;
      await changed();
      say(edits.map((e) => `${e.way.slice(-1)[0].replaceAll("_", " ")} is ${e.value.replaceAll("\"", "")} now`).join(", "));
    } catch {
      // It was said; the handle goes back to where it was.
      held = false;
      await draw();
    }
  };

  function one(handle) {
    const kind = !handle.edge ? (/size|radius/.test(handle.name) ? " round" : "") : handle.edge[0][0] === handle.edge[1][0] ? " upright" : " level";
    const button = el("button", { type: "button", class: `handle${kind}`, title: handle.name, "aria-label": `${handle.name}: drag it, or use the arrow keys`, onfocus: () => { if (!again) say(handle.name); } });
    button.dataset.name = handle.name;
    let at = [...handle.at], drag = null, timer = null;
    lay(button, at, handle.edge);
    const place = (e) => { const r = whole.getBoundingClientRect(); return [(e.clientX - r.left) / r.width, (e.clientY - r.top) / r.height]; };
    const end = (done) => {
      if (!drag) return;
      drag = null;
      // Until it was moved no other picture takes it away; what came meanwhile is made up for.
      if (done) move(handle.name, at);
      else { held = false; at = [...handle.at]; lay(button, at, handle.edge); draw().catch(() => {}); }
    };
    button.addEventListener("pointerdown", (e) => {
      clearTimeout(timer);
      const p = place(e);
      drag = { by: [at[0] - p[0], at[1] - p[1]], moved: false };
      held = true;
      button.setPointerCapture(e.pointerId);
      // Else the browser may take what is selected along.
      e.preventDefault();
      button.focus({ preventScroll: true });
    });
    button.addEventListener("pointermove", (e) => {
      if (!drag) return;
      const p = place(e);
      at = [p[0] + drag.by[0], p[1] + drag.by[1]];
      drag.moved = true;
      lay(button, at, handle.edge);
    });
    button.addEventListener("pointerup", () => end(drag?.moved));
    button.addEventListener("pointercancel", () => end(false));
    button.addEventListener("lostpointercapture", () => end(false));
    button.addEventListener("keydown", (e) => {
      const by = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[e.key];
      if (e.key === "Escape") end(false);
      if (!by) return;
      e.preventDefault();
      held = true;
      const step = e.shiftKey ? FINE : STEP;
      at = [at[0] + by[0] * step, at[1] + by[1] * step];
      lay(button, at, handle.edge);
      clearTimeout(timer);
      timer = setTimeout(() => move(handle.name, at), PAUSE);
    });
    return button;
  }

  async function draw() {
    if (!byHand) { clear(); return; }
    const found = await json("/api/layout/handles");
    // What is being dragged is not taken out of the hand.
    if (held || !byHand) return;
    const focused = document.activeElement?.dataset?.name;
    clear();
    whole.append(...found.map(one));
    // The focus stays where it was, and nothing is said of that.
    again = true;
    if (focused) whole.querySelector(`.handle[data-name="${CSS.escape(focused)}"]`)?.focus({ preventScroll: true });
    again = false;
  }
  return { draw: () => draw().catch(() => {}), gone: clear, set: (v) => { byHand = v; draw().catch(() => {}); } };
}
