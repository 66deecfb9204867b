// The night's light with its frames: pressed at a frame, its moment comes into the picture, or goes.
import { ask, el, json, say } from "./page.js";

const WIDTH = 1000, HEIGHT = 118, TOP = 20, BOTTOM = 96;
/** A disc that is shown is meant where it lies no farther from the pointer, units of the drawing. */
const NEAR = 5;
/** Half a second: frames' times are compared in these. */
const SAME = 0.5;

const clock = (at) => new Date(1000 * at).toISOString().slice(11, 19);
const closest = (some, at) => some.reduce((best, f) => (best === null || Math.abs(f.at - at) < Math.abs(best.at - at) ? f : best), null);

/** The strip; `update(composition)` shows which frames stand in the picture. `before` is waited for before a moment is changed,
 *  `changed` is told after. */
export function moments(before, changed) {
  const panel = el("select", { "aria-label": "whose moments", hidden: true });
  const words = el("span", { class: "faint" });
  const cursor = el("line", { y1: TOP - 8, y2: BOTTOM + 8, class: "cursor", visibility: "hidden" });
  const svg = el("svg", { viewBox: `0 0 ${WIDTH} ${HEIGHT}`, class: "light", role: "slider", tabindex: "0", "aria-label": "moments of the night: arrow keys go from frame to frame, Enter puts one into the picture or takes it out", "aria-valuemin": 0, "aria-valuenow": 0, "aria-valuemax": 0 });
  const part = el("div", { class: "moments", hidden: true }, el("div", { class: "row" }, el("h3", {}, "Moments"), panel, words), svg);
  let frames = [], span = [0, 1], shown = [], chosen = 0, last = null, busy = false;
  const across = (at) => WIDTH * (at - span[0]) / (span[1] - span[0]);
  const inPicture = (f) => shown.some((s) => Math.abs(s - f.at) < SAME);

  const point = (index) => {
    if (!frames[index]) return;
    chosen = index;
    const f = frames[index];
    const told = `${f.file}, ${clock(f.at)} UTC${f.umbral_fraction ? `, umbra ${Math.round(100 * f.umbral_fraction)} %` : ""}: ${inPicture(f) ? "in the picture" : "not in the picture"}`;
    cursor.setAttribute("visibility", "visible");
    for (const x of ["x1", "x2"]) cursor.setAttribute(x, across(f.at));
    svg.setAttribute("aria-valuenow", index);
    svg.setAttribute("aria-valuetext", told);
    words.textContent = told;
  };
  const under = (e) => {
    const at = span[0] + (span[1] - span[0]) * new DOMPoint(e.clientX, e.clientY).matrixTransform(svg.getScreenCTM().inverse()).x / WIDTH;
    const disc = closest(frames.filter(inPicture), at);
    return frames.indexOf(disc && Math.abs(across(disc.at) - across(at)) < NEAR ? disc : closest(frames, at));
  };
  const toggle = async (index) => {
    const f = frames[index];
    if (!f || busy) return;
    const was = inPicture(f);
    busy = true;
    try {
      await before();
      await ask("/api/layout/moments", { panel: panel.hidden ? null : Number(panel.value), utc: new Date(1000 * f.at).toISOString(), reach_s: SAME });
      await changed();
      say(`${clock(f.at)} UTC ${was ? "is taken out" : "is put in"}`);
    } catch { /* it was said */ } finally { busy = false; }
  };
  svg.addEventListener("pointermove", (e) => point(under(e)));
  svg.addEventListener("click", (e) => { const index = under(e); point(index); toggle(index); });
  svg.addEventListener("focus", () => point(chosen));
  svg.addEventListener("keydown", (e) => {
    const to = { ArrowLeft: chosen - 1, ArrowDown: chosen - 1, ArrowRight: chosen + 1, ArrowUp: chosen + 1, PageDown: chosen - 10, PageUp: chosen + 10, Home: 0, End: frames.length - 1 }[e.key];
    if (to !== undefined) point(Math.min(frames.length - 1, Math.max(0, to)));
    else if (e.key === "Enter" || e.key === " ") toggle(chosen);
    else return;
    e.preventDefault();
  });

  /** The night as it is now: its curve, contacts and frames, and whose moments there are. */
  function lay(night) {
    const { light, contacts, panels } = night, deepest = Math.max(1, ...light.map((p) => p[1]));
    frames = night.frames.sort((a, b) => a.at - b.at);
    span = [light[0][0], light[light.length - 1][0]];
    chosen = Math.min(chosen, frames.length - 1);
    const was = panel.value;
    panel.hidden = panels.length === 0;
    panel.replaceChildren(...panels.map((name, i) => el("option", { value: i, selected: String(i) === was }, name)));
    const group = panel.hidden ? 0 : Number(panel.value) + 1;
    shown = last.placements.filter((p) => p.group === group && !p.simulated).map((p) => Date.parse(p.utc) / 1000);
    const down = (stops) => TOP + (BOTTOM - TOP) * stops / deepest;
    const stopsAt = (at) => {
      const place = (at - span[0]) / (span[1] - span[0]) * (light.length - 1), i = Math.min(light.length - 2, Math.max(0, Math.floor(place)));
      return light[i][1] + (place - i) * (light[i + 1][1] - light[i][1]);
    };
    svg.setAttribute("aria-valuemax", frames.length - 1);
    svg.replaceChildren(
      el("path", { class: "curve", d: light.map(([at, stops], i) => `${i ? "L" : "M"}${across(at).toFixed(1)} ${down(stops).toFixed(1)}`).join("") }),
      ...contacts.flatMap((c) => [el("line", { x1: across(c.at), x2: across(c.at), y1: TOP - 6, y2: BOTTOM, class: "contact" }), el("text", { x: across(c.at), y: 11, "text-anchor": "middle" }, c.name)]),
      ...frames.map((f) => el("circle", { cx: across(f.at), cy: down(stopsAt(f.at)), r: inPicture(f) ? 5 : 1.8, class: inPicture(f) ? "shown" : "frame-at" })), cursor);
    if (cursor.getAttribute("visibility") === "visible") point(chosen);
  }
  async function update(composition) {
    last = composition;
    const night = await json("/api/layout/moments");
    part.hidden = !night || night.frames.length < 2;
    if (!part.hidden) lay(night);
  }
  panel.addEventListener("change", () => { if (last) update(last).catch(() => {}); });
  return { part, update: (composition) => update(composition).catch(() => {}) };
}
