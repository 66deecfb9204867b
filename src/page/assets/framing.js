// How the Moon's way lies in a frame: the aim is dragged, or given by numbers.
import { el } from "./page.js";
import { rehearsal } from "./rehearsal.js";

const RAD = Math.PI / 180;

/** A direction (azimuth, altitude, degrees) in a level frame that is aimed at another, pixels from its middle; null behind the camera. */
function project([azimuth, altitude], [aimAzimuth, aimAltitude], focal) {
  const a = (azimuth - aimAzimuth) * RAD, h = altitude * RAD, t = aimAltitude * RAD;
  const forward = Math.sin(h) * Math.sin(t) + Math.cos(h) * Math.cos(t) * Math.cos(a);
  if (forward < 0.05) return null;
  return [focal * Math.cos(h) * Math.sin(a) / forward, -focal * (Math.sin(h) * Math.cos(t) - Math.cos(h) * Math.sin(t) * Math.cos(a)) / forward];
}

/** The Moon's places between the rows of a timetable, a minute apart: those stand a quarter of an hour apart at most. */
function minutely(rows) {
  const out = [];
  for (let i = 0; i + 1 < rows.length; i++) {
    const [a, b] = [rows[i], rows[i + 1]], minutes = (Date.parse(b.utc) - Date.parse(a.utc)) / 60000;
    const turn = ((b.azimuth_deg - a.azimuth_deg + 540) % 360) - 180;
    for (let m = 0; m < minutes; m++) {
      const share = m / minutes;
      out.push({ azimuth_deg: a.azimuth_deg + share * turn, altitude_deg: a.altitude_deg + share * (b.altitude_deg - a.altitude_deg), local: clock(a.local, m) });
    }
  }
  return rows.length ? [...out, { ...rows[rows.length - 1], local: clock(rows[rows.length - 1].local, 0) }] : out;
}

/** Hours and minutes of a local time, so many minutes later. */
function clock(local, minutes) {
  const [h, m, s] = local.slice(11).split(":").map(Number), all = Math.floor(60 * h + m + (s || 0) / 60 + minutes) % 1440;
  return `${String(Math.floor(all / 60)).padStart(2, "0")}:${String(all % 60).padStart(2, "0")}`;
}

/** The drawing for one camera of a plan, and its numbers. */
export function framing(plan, rig, query) {
  const focal = 206264.806 / rig.plate_scale_arcsec;
  const [width, height] = rig.field_deg.map((f) => 2 * focal * Math.tan(f * RAD / 2));
  const radius = rig.moon_diameter_px / 2;
  const first = (rig.framing.one_aim && !rig.framing.track_fits ? rig.framing.one_aim.aim_deg : rig.framing.aim_deg).slice(0, 2);
  const rows = plan.timetable, minutes = minutely(rows);
  // Half a frame's room around it, so that what lies outside is seen.
  const around = 0.5, view = [-width * (0.5 + around), -height * (0.5 + around), width * (1 + 2 * around), height * (1 + 2 * around)];
  const svg = el("svg", { viewBox: view.join(" "), role: "img", class: "framing" });
  const [azimuth, altitude] = [["Aim, azimuth in degrees", first[0], -360, 720], ["Aim, altitude in degrees", first[1], -20, 90]].map(([label, value, min, max]) => {
    const input = el("input", { type: "number", step: "0.1", min, max, value: value.toFixed(1) });
    return { input, label: el("label", {}, label, input) };
  });
  const words = el("p", { class: "held", role: "status", "aria-live": "polite" });
  const line = width / 500;
  const draw = () => {
    const aim = [Number(azimuth.input.value), Number(altitude.input.value)];
    const at = rows.map((r) => project([r.azimuth_deg, r.altitude_deg], aim, focal));
    const path = (points) => points.reduce((d, p, i) => (p ? `${d}${d && points[i - 1] ? "L" : "M"}${p[0].toFixed(1)} ${p[1].toFixed(1)}` : d), "");
    const horizon = Array.from({ length: 121 }, (_, i) => project([aim[0] - 60 + i, 0], aim, focal));
    const discs = rows.map((r, i) => [r, at[i]]).filter(([r, p]) => p && r.altitude_deg > -0.3);
    const inside = (p) => p && Math.abs(p[0]) < width / 2 - radius && Math.abs(p[1]) < height / 2 - radius;
    const within = minutes.filter((r) => r.altitude_deg > 0 && inside(project([r.azimuth_deg, r.altitude_deg], aim, focal)));
    svg.replaceChildren(
      el("rect", { x: -width / 2, y: -height / 2, width, height, class: "frame", "stroke-width": 2 * line }),
      el("path", { d: path(horizon), class: "horizon", "stroke-width": 1.5 * line }),
      el("path", { d: path(at), class: "track", "stroke-width": line }),
      ...discs.map(([r, [cx, cy]]) => el("circle", { cx, cy, r: Math.max(radius, 1.5 * line), class: r.contact ? "moon contact" : "moon", "stroke-width": line }, el("title", {}, `${r.contact ?? ""} ${r.local.slice(11)}`))));
    words.textContent = within.length ? `The whole disc is in the frame from ${within[0].local} to ${within[within.length - 1].local}.` : "At no time of the eclipse is the whole disc in the frame.";
    svg.setAttribute("aria-label", `the Moon's way in the frame of ${rig.name}, aimed at azimuth ${aim[0].toFixed(1)}, altitude ${aim[1].toFixed(1)} degrees: ${words.textContent}`);
  };
  let drag = null;
  const place = (e) => new DOMPoint(e.clientX, e.clientY).matrixTransform(svg.getScreenCTM().inverse());
  svg.addEventListener("pointerdown", (e) => {
    const p = place(e);
    drag = { x: p.x, y: p.y, azimuth: Number(azimuth.input.value), altitude: Number(altitude.input.value) };
    svg.setPointerCapture(e.pointerId);
    e.preventDefault();
  });
  svg.addEventListener("pointermove", (e) => {
    if (!drag) return;
    const p = place(e), degree = focal * RAD;
    // The sky is taken along: the aim goes the other way.
    const higher = Math.min(90, Math.max(-20, drag.altitude + (p.y - drag.y) / degree));
    azimuth.input.value = (drag.azimuth - (p.x - drag.x) / degree / Math.max(0.2, Math.cos(drag.altitude * RAD))).toFixed(1);
    altitude.input.value = higher.toFixed(1);
    draw();
  });
  svg.addEventListener("pointerup", () => { drag = null; });
  [azimuth, altitude].forEach((a) => a.input.addEventListener("input", draw));
  draw();
  return el("div", {}, svg, el("div", { class: "row" }, azimuth.label, altitude.label,
    el("button", { type: "button", onclick: () => { azimuth.input.value = first[0].toFixed(1); altitude.input.value = first[1].toFixed(1); draw(); } }, "As the plan aims")),
    words, el("p", { class: "faint" }, "Drag the sky under the frame. The frame is level; contacts are filled."),
    rehearsal(plan, rig, query, () => [azimuth.input.value, altitude.input.value]));
}
