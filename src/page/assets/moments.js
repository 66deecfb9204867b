// The night's light with its frames: pressed at a frame, its moment comes into the picture, or goes.
import { ask, el, json, say } from "./page.js";

const WIDTH = 1000, HEIGHT = 118, TOP = 20, BOTTOM = 96;
/** A disc that is shown is meant where it lies no farther from the pointer, units of the drawing. */
const NEAR = 5;

const clock = (at) => new Date(1000 * at).toISOString().slice(11, 19);

/** The strip; `update(composition)` shows which frames stand in the picture. */
export async function moments(changed) {
  const night = await json("/api/layout/moments");
  if (!night || night.frames.length < 2) return { part: null, update() {} };
  const { light, contacts, frames } = night;
  frames.sort((a, b) => a.at - b.at);
  const [from, until] = [light[0][0], light[light.length - 1][0]], deepest = Math.max(1, ...light.map((p) => p[1]));
  const across = (at) => WIDTH * (at - from) / (until - from), down = (stops) => TOP + (BOTTOM - TOP) * stops / deepest;
  const stopsAt = (at) => {
    const i = Math.min(light.length - 2, Math.max(0, Math.floor((at - from) / (until - from) * (light.length - 1))));
    const share = (at - light[i][0]) / (light[i + 1][0] - light[i][0]);
    return light[i][1] + share * (light[i + 1][1] - light[i][1]);
  };
  const panel = el("select", { "aria-label": "whose moments", hidden: true });
  const words = el("span", { class: "faint" });
  const marks = el("g", {}), cursor = el("line", { y1: TOP - 8, y2: BOTTOM + 8, class: "cursor", visibility: "hidden" });
  const svg = el("svg", { viewBox: `0 0 ${WIDTH} ${HEIGHT}`, class: "light", role: "slider", tabindex: "0", "aria-label": "moments of the night: arrow keys go from frame to frame, Enter puts one into the picture or takes it out", "aria-valuemin": 0, "aria-valuemax": frames.length - 1, "aria-valuenow": 0 },
    el("path", { class: "curve", d: light.map(([at, stops], i) => `${i ? "L" : "M"}${across(at).toFixed(1)} ${down(stops).toFixed(1)}`).join("") }),
    ...contacts.flatMap((c) => [el("line", { x1: across(c.at), x2: across(c.at), y1: TOP - 6, y2: BOTTOM, class: "contact" }), el("text", { x: across(c.at), y: 11, "text-anchor": "middle" }, c.name)]),
    marks, cursor);
  let shown = [], chosen = 0;
  const inPicture = (f) => shown.some((s) => Math.abs(s - f.at) < 0.5);
  const point = (index) => {
    chosen = index;
    const f = frames[index];
    const told = `${f.file}, ${clock(f.at)} UTC${f.umbral_fraction ? `, umbra ${Math.round(100 * f.umbral_fraction)} %` : ""}: ${inPicture(f) ? "in the picture" : "not in the picture"}`;
    cursor.setAttribute("visibility", "visible");
    for (const x of ["x1", "x2"]) cursor.setAttribute(x, across(f.at));
    svg.setAttribute("aria-valuenow", index);
    svg.setAttribute("aria-valuetext", told);
    words.textContent = told;
  };
  const nearest = (e) => {
    const at = from + (until - from) * new DOMPoint(e.clientX, e.clientY).matrixTransform(svg.getScreenCTM().inverse()).x / WIDTH;
    const closest = (some) => some.reduce((best, f) => (best === null || Math.abs(f.at - at) < Math.abs(best.at - at) ? f : best), null);
    const disc = closest(frames.filter(inPicture));
    const meant = disc && Math.abs(across(disc.at) - across(at)) < NEAR ? disc : closest(frames);
    return frames.indexOf(meant);
  };
  const toggle = async (index) => {
    const f = frames[index], was = inPicture(f);
    try {
      await ask("/api/layout/moments", { panel: panel.hidden ? null : Number(panel.value), utc: new Date(1000 * f.at).toISOString(), reach_s: 0.5 });
    } catch { return; }
    await changed();
    say(`${clock(f.at)} UTC ${was ? "is taken out" : "is put in"}`);
  };
  svg.addEventListener("pointermove", (e) => point(nearest(e)));
  svg.addEventListener("click", (e) => { const index = nearest(e); point(index); toggle(index); });
  svg.addEventListener("focus", () => point(chosen));
  svg.addEventListener("keydown", (e) => {
    const to = { ArrowLeft: chosen - 1, ArrowDown: chosen - 1, ArrowRight: chosen + 1, ArrowUp: chosen + 1, PageDown: chosen - 10, PageUp: chosen + 10, Home: 0, End: frames.length - 1 }[e.key];
    if (to !== undefined) point(Math.min(frames.length - 1, Math.max(0, to)));
    else if (e.key === "Enter" || e.key === " ") toggle(chosen);
    else return;
    e.preventDefault();
  });
  let last = null;
  const update = (composition) => {
    last = composition;
    const groups = [...new Set(composition.placements.map((p) => p.group))].filter((g) => g > 0);
    panel.hidden = groups.length === 0;
    if (!panel.hidden && panel.options.length !== groups.length) panel.replaceChildren(...groups.map((g) => el("option", { value: g - 1 }, `panel ${g}`)));
    const group = panel.hidden ? 0 : Number(panel.value) + 1;
    shown = composition.placements.filter((p) => p.group === group && !p.simulated).map((p) => Date.parse(p.utc) / 1000);
    marks.replaceChildren(...frames.map((f) => el("circle", { cx: across(f.at), cy: down(stopsAt(f.at)), r: inPicture(f) ? 5 : 1.8, class: inPicture(f) ? "shown" : "frame-at" })));
    if (cursor.getAttribute("visibility") === "visible") point(chosen);
  };
  panel.addEventListener("change", () => last && update(last));
  return { part: el("div", { class: "moments" }, el("div", { class: "row" }, el("h3", {}, "Moments"), panel, words), svg), update };
}
