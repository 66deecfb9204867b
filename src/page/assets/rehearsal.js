// One frame of the plan, rehearsed: what the camera would show at a moment of the night.
import { ask, el, say } from "./page.js";

/** The choices and the frame, for one camera of a plan; `aim` says where the drawing is aimed, azimuth and altitude in degrees. */
export function rehearsal(plan, rig, query, aim) {
  const rows = plan.timetable.filter((r) => r.altitude_deg > 0);
  if (!rows.length) return el("div", {});
  const inDark = rows.find((r) => r.contact === "greatest") ?? rows[Math.floor(rows.length / 2)];
  const moment = el("select", {}, ...rows.map((r) => el("option", { value: r.utc, selected: r === inDark }, `${r.local.slice(11, 16)}${r.contact ? ` ${r.contact}` : ""}`)));
  const part = el("select", {}, el("option", { value: "lit" }, "the lit part"), el("option", { value: "umbra", selected: true }, "the umbra"));
  const atMoon = el("input", { type: "checkbox", checked: !rig.framing.track_fits });
  const image = el("img", { alt: "", hidden: true }), words = el("p", { role: "status", "aria-live": "polite" });
  const show = async () => {
    const wish = new URLSearchParams(query);
    wish.set("utc", moment.value);
    wish.set("part", part.value);
    if (!atMoon.checked) ["azimuth", "altitude"].forEach((name, i) => wish.set(name, aim()[i]));
    const answer = await ask(`/api/plan/frame?${wish}`);
    const old = image.src;
    image.src = URL.createObjectURL(await answer.blob());
    await image.decode();
    if (old.startsWith("blob:")) URL.revokeObjectURL(old);
    image.hidden = false;
    image.alt = `rehearsed frame of ${rig.name} at ${moment.selectedOptions[0].textContent}`;
    words.textContent = `${moment.selectedOptions[0].textContent}, ${answer.headers.get("x-exposure")}: rehearsed, not photographed; under a clear sky, without what stands on your horizon.`;
    say("");
  };
  const again = () => { if (!image.hidden) show().catch(() => {}); };
  [moment, part, atMoon].forEach((i) => i.addEventListener("change", again));
  return el("div", { class: "rehearsal" },
    el("div", { class: "row" }, el("label", {}, "At ", moment), el("label", {}, "exposed for ", part), el("label", {}, atMoon, " aimed at the Moon"),
      el("button", { type: "button", onclick: () => show().catch(() => {}) }, "Rehearse this frame")),
    words, image);
}
