// The night by the clock: contacts, heights, light, cautions.
import { ask, el, json } from "./page.js";

export async function show(sheet) {
  const field = (name, label, more) => el("label", {}, label, el("input", { name, ...more }));
  const form = el("form", { class: "form" },
    field("latitude", "Latitude, degrees north", { type: "number", step: "any", min: -90, max: 90 }),
    field("longitude", "Longitude, degrees east", { type: "number", step: "any", min: -360, max: 360 }),
    field("date", "Date of the eclipse, UTC", { type: "date", min: "1900-01-02", max: "2099-12-30" }),
    field("hours", "Local clock, hours from UTC", { type: "number", step: "0.25", min: -14, max: 14 }),
    el("div", { class: "row wide" }, el("button", { class: "first" }, "Show that night"), el("span", { class: "faint" }, "Left empty: this folder's own site and eclipse.")));
  const result = el("div", {});
  const fill = async () => {
    const query = new URLSearchParams();
    for (const input of form.elements) {
      if (!input.name || input.value === "") continue;
      if (input.name === "hours") query.set("offset_s", String(Math.round(3600 * Number(input.value))));
      else query.set(input.name, input.value);
    }
    const plan = await json(`/api/plan?${query}`);
    const svg = new DOMParser().parseFromString(await (await ask(`/api/plan/drawing?${query}`)).text(), "image/svg+xml").documentElement;
    svg.setAttribute("role", "img");
    svg.setAttribute("aria-label", "heights of Moon and Sun and the light of the Moon over the night");
    svg.style.maxWidth = "100%";
    svg.style.height = "auto";
    const e = plan.eclipse, heads = ["", "Local", "UTC", "Altitude", "Azimuth", "Sun", "Umbra", "Stops below full"];
    const rows = plan.timetable.map((r) => el("tr", {}, ...[r.contact ?? "", r.local, r.utc.slice(11, 19), `${r.altitude_deg.toFixed(1)}\u00b0`, `${r.azimuth_deg.toFixed(1)}\u00b0`, `${r.sun_altitude_deg.toFixed(0)}\u00b0 ${r.twilight === "night" ? "" : r.twilight}`, `${Math.round(100 * r.umbral_fraction)} %`, r.stops_below_full.toFixed(1)].map((t) => el("td", {}, t))));
    const recommended = plan.recommendation ? el("p", {}, `Frames from ${plan.recommendation.begin.slice(0, 16)} to ${plan.recommendation.stop.slice(0, 16)}.`) : el("p", {}, "This site sees nothing of it.");
    result.replaceChildren(
      el("h2", {}, `${e.type[0].toUpperCase()}${e.type.slice(1)} lunar eclipse, umbral magnitude ${e.umbral_magnitude.toFixed(3)}`), recommended,
      document.importNode(svg, true),
      el("div", { class: "scroll" }, el("table", {}, el("thead", {}, el("tr", {}, ...heads.map((h) => el("th", { scope: "col" }, h)))), el("tbody", {}, ...rows))),
      el("h2", {}, "Have ready"), el("ul", {}, ...plan.checklist.map((c) => el("li", {}, c))),
      el("h2", {}, "Beware"), el("ul", {}, ...plan.cautions.map((c) => el("li", {}, c))));
  };
  form.addEventListener("submit", (e) => { e.preventDefault(); fill().catch(() => {}); });
  sheet.replaceChildren(form, result);
  await fill();
}
