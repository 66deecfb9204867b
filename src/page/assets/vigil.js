// The vigil: this folder while it fills, what to change in large type, the contacts, the last frames.
import { ask, el, json, refresh, say } from "./page.js";

const PAUSE = 1000;
const number = (value, places) => (value === null || value === undefined ? "" : value.toFixed(places));

/** Minutes as people say them. */
function within(minutes) {
  const whole = Math.ceil(minutes);
  return whole < 60 ? `in ${whole} min` : `in ${Math.floor(whole / 60)} h ${String(whole % 60).padStart(2, "0")} min`;
}

const mark = (advice) => (advice.urgency === "now" ? "!!" : "!");

/** A short tone for what cannot wait; browsers let it sound once something on the page was pressed. */
function tone() {
  const sound = new AudioContext(), wave = sound.createOscillator(), loud = sound.createGain();
  loud.gain.value = 0.15;
  wave.frequency.value = 660;
  wave.connect(loud).connect(sound.destination);
  wave.start();
  wave.stop(sound.currentTime + 0.4);
  wave.onended = () => sound.close();
}

function contacts(rows) {
  const next = rows.findIndex((r) => r.minutes > 0);
  const line = (r, i) => {
    const then = r.minutes > 0 ? (i === next ? within(r.minutes) : "") : r.frames === 0 ? "past, no frame" : `past, ${r.frames} frame${r.frames === 1 ? "" : "s"}`;
    const height = r.altitude_deg === null ? "" : r.altitude_deg < 0 ? "below the horizon" : `${r.altitude_deg.toFixed(0)}\u00b0`;
    return el("tr", { class: i === next ? "next" : null }, ...[r.contact, r.local, then, height].map((t) => el("td", {}, t)));
  };
  return el("table", {}, el("thead", {}, el("tr", {}, ...["Contact", "Local", "", "Moon's height"].map((h) => el("th", { scope: "col" }, h)))), el("tbody", {}, ...rows.map(line)));
}

function frames(reports) {
  const line = (r) => el("tr", {}, ...[
    r.local ?? "", r.file, r.state === "measured" ? "\u25cf measured" : r.state === "inferred" ? "\u25cb inferred" : `\u2715 ${r.reason ?? "absent"}`,
    number(r.radius_px, 0), number(r.edge_width_px, 1), r.clipped_share > 0.001 ? `${Math.round(100 * r.clipped_share)} %` : "",
    r.bright_part > 0 ? number(-Math.min(0, Math.log2(r.bright_part)), 1) : "", r.leaves_in_minutes === null ? "" : `${Math.round(r.leaves_in_minutes)} min`,
  ].map((t) => el("td", {}, t)));
  const heads = ["Local", "Frame", "Moon", "Radius, px", "Limb, px", "Clipped", "Stops under white", "Leaves in"];
  return el("table", {}, el("thead", {}, el("tr", {}, ...heads.map((h) => el("th", { scope: "col" }, h)))), el("tbody", {}, ...reports.map(line)));
}

/** The last frame's disc with its limb; nothing where another frame has come meanwhile: that is shown next. */
async function newest(well, report, number, before) {
  const answer = await ask("/api/vigil/newest");
  if (Number(answer.headers.get("x-number")) !== number) return before;
  const [left, top, width, height] = answer.headers.get("x-shows").split(",").map(Number);
  const url = URL.createObjectURL(await answer.blob());
  const svg = el("svg", { viewBox: `${left} ${top} ${width} ${height}`, role: "img", "aria-label": `the last frame, ${report.file}: ${report.state}` },
    el("image", { href: url, x: left, y: top, width, height, preserveAspectRatio: "none" }));
  if (report.centre_px && report.radius_px) {
    const dashes = report.state === "measured" ? null : `${width / 60} ${width / 90}`;
    svg.append(el("circle", { cx: report.centre_px[0], cy: report.centre_px[1], r: report.radius_px, fill: "none", stroke: "#ffffff", "stroke-width": width / 300, "stroke-dasharray": dashes }));
  }
  well.replaceChildren(svg);
  if (before) URL.revokeObjectURL(before);
  return url;
}

export async function show(sheet) {
  const first = el("p", { class: "first-advice", role: "status", "aria-live": "assertive" }), others = el("ul", { class: "advice" });
  const known = el("p", { class: "faint" }), times = el("div", { class: "scroll" }), listed = el("div", { class: "scroll" }), well = el("div", { class: "well" });
  const button = el("button", { type: "button", class: "first" }, "Watch this folder");
  const loud = el("input", { type: "checkbox", checked: localStorage.getItem("tone") === "yes" });
  const pace = el("input", { type: "number", min: 0.1, max: 100000, step: "any", value: 1 });
  loud.addEventListener("change", () => localStorage.setItem("tone", loud.checked ? "yes" : "no"));
  const more = el("details", {}, el("summary", {}, "A rehearsal's frames"), el("label", { class: "row" }, "They come so many times faster than the sky", pace));
  const call = el("section", { class: "call", "aria-label": "What to change" }, first, others);
  const body = el("div", {}, call,
    el("div", { class: "board vigil" }, el("section", {}, el("h2", {}, "The last frame"), well), el("section", {}, el("h2", {}, "Contacts"), times)),
    el("h2", {}, "Frames"), listed);
  sheet.replaceChildren(
    el("div", { class: "row" }, button, el("label", { class: "row" }, loud, "a tone for what cannot wait"), known), more,
    body);
  let runs = false, seen = -1, told = "", shown = null;
  button.addEventListener("click", async () => {
    button.disabled = true;
    try {
      await ask("/api/vigil", runs ? { watch: false } : { watch: true, pace: Number(pace.value) || 1 });
      await look();
    } finally {
      button.disabled = false;
    }
  });
  const look = async () => {
    const v = await json("/api/vigil");
    if (runs && !v.runs) {
      say("no longer watched");
      await refresh();
    }
    runs = v.runs;
    body.hidden = !runs && v.frames === 0;
    button.textContent = v.ends ? "Stopping" : runs ? "Stop watching" : "Watch this folder";
    const catchesUp = v.catches_up;
    known.textContent = v.trouble ?? (catchesUp ? `${v.frames} of ${v.before} frames that were there before` : !runs ? (v.frames ? "" : "Frames are judged as the camera brings them. Nothing is written, and no camera is controlled.") : v.frames === 0 ? "no frame yet" : v.site_is_known ? `${v.frames} frames` : `${v.frames} frames; the site is not known (it can be written on the sheet Frames)`);
    const standing = catchesUp || !runs ? [] : v.advice;
    const words = !runs ? (v.frames === 0 ? "" : "not watched any longer") : catchesUp ? "looking at what is there" : standing.length === 0 ? "nothing to change" : `${mark(standing[0])} ${standing[0].text}`;
    // What has not changed is not read out again.
    if (first.textContent !== words) first.textContent = words;
    first.classList.toggle("now", standing[0]?.urgency === "now");
    others.replaceChildren(...standing.slice(1, 5).map((a) => el("li", {}, `${mark(a)} ${a.text}`)));
    const urgent = standing.filter((a) => a.urgency === "now").map((a) => JSON.stringify(a.kind)).join();
    if (loud.checked && urgent && urgent !== told) tone();
    told = urgent;
    times.replaceChildren(v.timetable.length ? contacts(v.timetable) : el("p", { class: "faint" }, v.frames === 0 ? "No eclipse is near." : "No eclipse is near these frames' times, or the zone of their clock is not known."));
    if (v.frames !== seen) {
      seen = v.frames;
      listed.replaceChildren(v.reports.length ? frames(v.reports) : "");
      // One after another: what came first does not replace what came last.
      if (v.reports.length) shown = await newest(well, v.reports[0], v.frames, shown).catch(() => shown);
    }
  };
  await look();
  const again = () => setTimeout(async () => {
    if (!first.isConnected) {
      if (shown) URL.revokeObjectURL(shown);
      return;
    }
    // A program that was ended is said once, and asked again later.
    await look().catch(() => {});
    again();
  }, PAUSE);
  again();
}
