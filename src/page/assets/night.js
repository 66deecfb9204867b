// The night by the clock: a site by numbers or on the map, contacts, heights, light, a camera's exposures and framing, cautions.
import { framing } from "./framing.js";
import { map } from "./map.js";
import { ask, el, json, say } from "./page.js";

const cells = (texts, name = "td") => texts.map((t) => el(name, name === "th" ? { scope: "col" } : {}, t));
const table = (heads, rows, kind = "") => el("div", { class: `scroll ${kind}` }, el("table", {}, el("thead", {}, el("tr", {}, ...cells(heads, "th"))), el("tbody", {}, ...rows.map((r) => el("tr", {}, ...cells(r))))));

/** Seconds as a camera marks them. */
const shutter = (s) => (s === null || s === undefined ? "" : s >= 0.3 ? `${Number(s.toPrecision(2))} s` : `1/${Math.round(1 / s)} s`);

function camera(plan, rig, query) {
  const field = rig.field_deg.map((f) => f.toFixed(1)).join(" \u00d7 ");
  const [least, most] = rig.close_focal_lengths_mm;
  const rows = rig.exposures.map((e) => [e.phase, `f/${e.f_number}`, String(Math.round(e.iso)), shutter(e.lit_s), e.umbra_s ? e.umbra_s.map(shutter).join(" / ") : "", shutter(e.longest_s), e.bracket_s.map(shutter).join(", "), e.conflict ?? ""]);
  return [
    el("h2", {}, `${rig.name}`),
    el("p", {}, `Field ${field} degrees; the Moon is ${Math.round(rig.moon_diameter_px)} pixels wide, ${Math.round(100 * rig.moon_share_of_short_side)} % of the short side. It fills a quarter to two thirds of it at ${Math.round(least)} to ${Math.round(most)} mm.${rig.framing.reaim_minutes ? ` From the middle to the edge it drifts in ${rig.framing.reaim_minutes.toFixed(0)} minutes.` : ""}`),
    framing(plan, rig, query),
    table(["Phase", "Aperture", "ISO", "Lit part", "Umbra: bright / usual / dark", "Trails after", "Bracket", "What does not fit"], rows, "exposures")];
}

export async function show(sheet) {
  const field = (name, label, more) => el("label", {}, label, el("input", { name, ...more }));
  const number = { type: "number", step: "any" };
  const tracking = el("select", { name: "tracking" }, el("option", { value: "" }, "a tripod"), el("option", { value: "true" }, "a mount that follows the sky"));
  const form = el("form", { class: "form" },
    field("latitude", "Latitude, degrees north", { ...number, min: -90, max: 90 }),
    field("longitude", "Longitude, degrees east", { ...number, min: -360, max: 360 }),
    field("date", "Date of the eclipse, UTC", { type: "date", min: "1900-01-02", max: "2099-12-30" }),
    field("hours", "Local clock, hours from UTC", { type: "number", step: "0.25", min: -14, max: 14 }),
    field("width_px", "Sensor, pixels across", { ...number, step: 1, min: 100 }),
    field("height_px", "Sensor, pixels down", { ...number, step: 1, min: 100 }),
    field("pixel_pitch_um", "Spacing of pixels, micrometres", { ...number, min: 0.3 }),
    field("focal_length_mm", "Lens, millimetres", { ...number, min: 1 }),
    field("f_number", "Focal ratio", { ...number, min: 0.5 }),
    field("iso", "ISO", { ...number, min: 1 }),
    el("label", {}, "What holds it", tracking),
    el("div", { class: "row wide" }, el("button", { class: "first" }, "Show that night"), el("span", { class: "faint" }, "Left empty: this folder's own site, eclipse and camera.")));
  const result = el("div", {});
  let asked = 0;
  const fill = async () => {
    const turn = ++asked, query = new URLSearchParams();
    for (const input of form.elements) {
      if (!input.name || input.value === "") continue;
      if (input.name === "hours") query.set("offset_s", String(Math.round(3600 * Number(input.value))));
      else query.set(input.name, input.value);
    }
    const plan = await json(`/api/plan?${query}`);
    const drawing = await (await ask(`/api/plan/drawing?${query}`)).text();
    // What was asked meanwhile is shown instead.
    if (turn !== asked) return;
    say("");
    const svg = new DOMParser().parseFromString(drawing, "image/svg+xml").documentElement;
    svg.setAttribute("role", "img");
    svg.setAttribute("aria-label", "heights of Moon and Sun and the light of the Moon over the night");
    svg.style.maxWidth = "100%";
    svg.style.height = "auto";
    const e = plan.eclipse;
    const rows = plan.timetable.map((r) => [r.contact ?? "", r.local, r.utc.slice(11, 19), `${r.altitude_deg.toFixed(1)}\u00b0`, `${r.azimuth_deg.toFixed(1)}\u00b0`, `${r.sun_altitude_deg.toFixed(0)}\u00b0 ${r.twilight === "night" ? "" : r.twilight}`, `${Math.round(100 * r.umbral_fraction)} %`, r.stops_below_full.toFixed(1)]);
    const recommended = plan.recommendation ? el("p", {}, `Frames from ${plan.recommendation.begin.slice(0, 16)} to ${plan.recommendation.stop.slice(0, 16)}.`) : el("p", {}, "This site sees nothing of it.");
    result.replaceChildren(
      el("h2", {}, `${e.type[0].toUpperCase()}${e.type.slice(1)} lunar eclipse, umbral magnitude ${e.umbral_magnitude.toFixed(3)}`), recommended,
      ...plan.rigs.flatMap((rig) => camera(plan, rig, query)),
      el("h2", {}, "Hour by hour"),
      document.importNode(svg, true),
      table(["Contact", `Local (${plan.zone})`, "UTC", "Altitude", "Azimuth", "Sun", "Umbra", "Stops below full"], rows),
      el("h2", {}, "Have ready"), el("ul", {}, ...plan.checklist.map((c) => el("li", {}, c))),
      el("h2", {}, "Beware"), el("ul", {}, ...plan.cautions.map((c) => el("li", {}, c))));
  };
  form.addEventListener("submit", (e) => { e.preventDefault(); fill().catch(() => {}); });
  const [latitude, longitude] = ["latitude", "longitude"].map((n) => form.elements[n]);
  sheet.replaceChildren(el("div", { class: "place" }, form, map(latitude, longitude, (east) => {
    // By the Sun; a country's own zone may differ by an hour or two.
    form.elements.hours.value = String(Math.round(east / 15));
    fill().catch(() => {});
  })), result);
  await fill();
}
