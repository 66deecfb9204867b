// One frame of the plan, rehearsed: what the camera would show at a moment of the night.
import { ask, el, say } from "./page.js";

/** The choices and the frame, for one camera of a plan; `aim` says where the drawing is aimed, azimuth and altitude in degrees. */
export function rehearsal(plan, rig, query, aim) {
  const rows = plan.timetable.filter((r) => r.altitude_deg > 0);
  if (!rows.length) return el("div", {});
  const inDark = rows.find((r) => r.contact === "greatest") ?? rows[Math.floor(rows.length / 2)];
  const moment = el("select", {}, ...rows.map((r) => el("option", { value: r.utc, selected: r === inDark }, `${r.local.slice(11, 16)}${r.contact ? ` ${r.contact}` : ""}`)));
  const part = el("select", {}, el("option", { value: "lit" }, "the lit part"), el("option", { value: "umbra", selected: true }, "the umbra"));
  const follows = new URLSearchParams(query).get("tracking") === "true";
  // A mount that follows keeps the Moon in the middle, north up.
  const atMoon = el("input", { type: "checkbox", checked: follows || !rig.framing.track_fits, disabled: follows });
  const image = el("img", { alt: "", hidden: true }), words = el("p", { role: "status", "aria-live": "polite" });
  let turn = 0;
  const show = async () => {
    const mine = ++turn, when = moment.selectedOptions[0].textContent;
    const wish = new URLSearchParams(query);
    wish.set("utc", moment.value);
    wish.set("part", part.value);
    if (!atMoon.checked) ["azimuth", "altitude"].forEach((name, i) => { if (aim()[i] !== "") wish.set(name, aim()[i]); });
    const answer = await ask(`/api/plan/frame?${wish}`);
    // What was asked meanwhile is shown instead.
    if (mine !== turn) return;
    const old = image.src;
    image.src = URL.createObjectURL(await answer.blob());
    await image.decode();
    if (old.startsWith("blob:")) URL.revokeObjectURL(old);
    image.hidden = false;
    image.alt = `rehearsed frame of ${rig.name} at ${when}`;
    words.textContent = `${when}, ${answer.headers.get("x-exposure")}: rehearsed, not photographed; under a clear sky, without what stands on your horizon.`;
    say("");
  };
  const again = () => { if (!image.hidden) show().catch(() => {}); };
  [moment, part, atMoon].forEach((i) => i.addEventListener("change", again));
  return el("div", { class: "rehearsal" },
    el("div", { class: "row" }, el("label", {}, "At ", moment), el("label", {}, "exposed for ", part), el("label", {}, atMoon, follows ? " aimed at the Moon, north up" : " aimed at the Moon"),
      el("button", { type: "button", onclick: () => show().catch(() => {}) }, "Rehearse this frame")),
    words, image);
}
