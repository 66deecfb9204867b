// A map of the world to point at: where it is pressed is the site.
import { el } from "./page.js";
import { LAND } from "./world.js";

/** A map of plain longitudes and latitudes for two fields; `chosen(longitude)` is told when a place was pressed. */
export function map(latitude, longitude, chosen = () => {}) {
  const spot = el("circle", { r: 2.6, class: "site" });
  const svg = el("svg", { viewBox: "-180 -84 360 150", class: "map", role: "img", "aria-label": "map of the world: press a place, or give its numbers" },
    el("path", { d: LAND, class: "land" }), el("path", { d: "M-180 0h360M-180 -60h360M-180 60h360M-120 -84v150M-60 -84v150M0 -84v150M60 -84v150M120 -84v150", class: "graticule" }), spot);
  const show = () => {
    const known = latitude.value !== "" && longitude.value !== "";
    spot.style.display = known ? "" : "none";
    if (known) {
      spot.setAttribute("cx", ((Number(longitude.value) + 540) % 360) - 180);
      spot.setAttribute("cy", -Number(latitude.value));
    }
  };
  svg.addEventListener("click", (e) => {
    const p = new DOMPoint(e.clientX, e.clientY).matrixTransform(svg.getScreenCTM().inverse());
    latitude.value = (-p.y).toFixed(1);
    longitude.value = p.x.toFixed(1);
    show();
    chosen(p.x);
  });
  [latitude, longitude].forEach((i) => i.addEventListener("input", show));
  show();
  return el("div", {}, svg, el("p", { class: "faint" }, "Press a place on the map, or give its latitude and longitude."));
}
