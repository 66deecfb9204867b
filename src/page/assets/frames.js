// The contact sheet: what was found in each frame, looked at, left out, corrected.
import { map } from "./map.js";
import { $, ask, el, json, refresh, say, state } from "./page.js";

const MARKS = { measured: "\u25cf measured", inferred: "\u25cb inferred", absent: "\u2715 absent" };

/** An offset from UTC as the notes write it, however it was typed: `+8`, `UTC-3:30`. */
function zone(typed) {
  const parts = /^(?:utc|gmt)? ?([+\-\u2212]?)(\d{1,2})(?::?(\d\d))?$/i.exec(typed);
  return parts ? `${"-\u2212".includes(parts[1] || "+") ? "-" : "+"}${parts[2].padStart(2, "0")}:${parts[3] ?? "00"}` : typed.toUpperCase();
}

/** The form for what the camera did not record. */
async function notesForm() {
  const n = await json("/api/notes");
  const field = (name, label, value, more = {}) => el("label", {}, label, el("input", { name, value: value ?? "", ...more }));
  const number = { type: "number", step: "any" };
  const mounts = [["Unknown", "not said"], ["FixedTripod", "a tripod that nobody touched"], ["ReaimedTripod", "a tripod, re-aimed by hand"], ["Tracking", "a mount that follows the sky"]];
  const suggested = mounts.find(([value]) => value === n.suggested.mount)?.[1];
  const form = el("form", { class: "form" },
    field("title", "Title of the night", n.title),
    field("latitude_deg", "Latitude, degrees north", n.site?.latitude_deg, { ...number, min: -90, max: 90 }),
    field("longitude_deg", "Longitude, degrees east", n.site?.longitude_deg, { ...number, min: -360, max: 360 }),
    field("elevation_m", "Elevation, metres", n.site?.elevation_m, number),
    field("utc_offset", "Zone of the camera's clock, from UTC", n.utc_offset, { placeholder: "+08:00 or +8", pattern: "((UTC|utc|GMT|gmt) ?)?[+\\-\u2212]?\\d{1,2}(:?[0-5]\\d)?|[Zz]" }),
    el("label", {}, `What held the camera${n.mount === "Unknown" && suggested ? ` (by the frames: ${suggested})` : ""}`, el("select", { name: "mount" }, ...mounts.map(([value, words]) => el("option", { value, selected: value === n.mount }, words)))),
    field("focal_length_mm", "Focal length, millimetres", n.focal_length_mm, { ...number, min: 0 }),
    field("pixel_pitch_um", "Spacing of pixels, micrometres", n.pixel_pitch_um, { ...number, min: 0, placeholder: n.suggested.pixel_pitch_um ? `by the frames ${n.suggested.pixel_pitch_um}` : "" }),
    field("ahead_s", "The camera's clock is ahead by, seconds (behind: below zero)", n.ahead_s, { ...number, placeholder: "0" }),
    field("border_px", "Edge of every frame that is no photograph, pixels", n.border_px, { type: "number", min: 0, step: 1, placeholder: "0" }),
    el("div", { class: "row wide" }, el("button", { class: "first" }, "Write shoot.ron and look for the Moon"),
      el("span", { class: "faint" }, "What you leave empty stays unsaid; it is written beside the frames and can be changed.")));
  form.addEventListener("submit", async (e) => {
    e.preventDefault();
    const body = {};
    for (const input of form.elements) {
      if (!input.name || input.value.trim() === "") continue;
      body[input.name] = input.type === "number" ? Number(input.value) : input.value.trim();
    }
    if (body.utc_offset) body.utc_offset = zone(body.utc_offset);
    if (body.mount === "Unknown" && n.mount === "Unknown") delete body.mount;
    // What the camera recorded need not be said again.
    if (body.focal_length_mm === n.focal_length_mm) delete body.focal_length_mm;
    await ask("/api/notes", body);
    await ask("/api/register", {});
    await refresh();
  });
  const [latitude, longitude] = ["latitude_deg", "longitude_deg"].map((name) => form.elements[name]);
  return el("div", { class: "place" }, form, map(latitude, longitude));
}

/** Limb, north and shadow drawn over a part of a frame. */
function overlay(frame, [left, top, width, height], scale) {
  const svg = el("svg", { viewBox: `${left} ${top} ${width} ${height}`, preserveAspectRatio: "xMidYMid meet", role: "img", "aria-label": `${frame.file}: ${frame.status}` });
  const line = width / scale;
  for (const r of frame.ignored ?? []) svg.append(el("rect", { x: r.left_px, y: r.top_px, width: r.width_px, height: r.height_px, fill: "#00000080", stroke: "#ffffff", "stroke-width": line, "stroke-dasharray": `${2 * line} ${4 * line}` }));
  const circle = (c, more) => el("circle", { cx: c.x, cy: c.y, r: c.r, fill: "none", ...more });
  if (frame.umbra) svg.append(circle(frame.umbra, { stroke: "#e0824e", "stroke-width": 1.4 * line, "stroke-dasharray": `${5 * line} ${4 * line}` }));
  if (frame.limb) {
    svg.append(circle(frame.limb, { class: "limb", stroke: "#ffffff", "stroke-width": 1.3 * line, "stroke-dasharray": frame.status === "measured" ? null : `${7 * line} ${5 * line}` }));
    if (frame.north_deg !== null) {
      const a = frame.north_deg * Math.PI / 180, [s, c] = [Math.sin(a), -Math.cos(a)];
      const at = (f) => [frame.limb.x + f * frame.limb.r * s, frame.limb.y + f * frame.limb.r * c];
      const [x1, y1] = at(1.02), [x2, y2] = at(1.22);
      svg.append(el("line", { x1, y1, x2, y2, stroke: "#ffffff", "stroke-width": 2 * line }));
    }
  }
  return svg;
}

async function fill(well, way, frame, scale) {
  const answer = await ask(way);
  const shows = answer.headers.get("x-shows").split(",").map(Number);
  const [left, top, width, height] = shows;
  const svg = overlay(frame, shows, scale);
  svg.prepend(el("image", { href: URL.createObjectURL(await answer.blob()), x: left, y: top, width, height, preserveAspectRatio: "none" }));
  well.replaceChildren(svg);
  return svg;
}

/** When a frame was taken, to be mended: it is written into frames.csv. */
function timeOf(index, frame, close) {
  const utc = el("input", { value: frame.opened_utc ?? "", placeholder: "2028-12-31T16:52:00Z" });
  const keep = async () => {
    await ask(`/api/frames/${index}/time`, { utc: utc.value });
    close();
    await refresh(true);
    say(`${frame.file}: its time is written into frames.csv; look again`);
  };
  return { part: el("details", {}, el("summary", {}, "When it was taken"), el("label", {}, "The shutter opened, UTC", utc),
    el("div", { class: "row" }, el("button", { type: "button", onclick: keep }, "Write its time"))) };
}

/** A part of a frame that is no photograph, drawn or given by numbers: it is written into shoot.ron. */
function partOf(frame, close) {
  const labels = ["From the left, pixels", "From the top, pixels", "Width, pixels", "Height, pixels"];
  const inputs = labels.map(() => el("input", { type: "number", min: 0, step: 1, value: 0 }));
  const all = el("input", { type: "checkbox" });
  let box = null;
  const draw = () => {
    const [x, y, width, height] = inputs.map((i) => Number(i.value));
    for (const [name, value] of Object.entries({ x, y, width, height })) box?.setAttribute(name, value);
  };
  inputs.forEach((i) => i.addEventListener("input", draw));
  const keep = async () => {
    const [left_px, top_px, width_px, height_px] = inputs.map((i) => Math.max(0, Math.round(Number(i.value))));
    await ask("/api/ignore", { left_px, top_px, width_px, height_px, file: all.checked ? null : frame.file });
    close();
    await refresh(true);
    say("that part is written into shoot.ron; look again");
  };
  return {
    part: el("details", {}, el("summary", {}, "A part that is no photograph"),
      el("p", { class: "faint" }, "A caption, a strip, a date: draw a rectangle over it, or give its numbers."),
      ...labels.map((l, i) => el("label", {}, l, inputs[i])), el("label", { class: "row" }, all, " in every frame"),
      el("div", { class: "row" }, el("button", { type: "button", onclick: keep }, "Ignore that part"))),
    shownIn(svg) {
      box = svg.appendChild(el("rect", { width: 0, height: 0, fill: "#00000080", stroke: "#ffffff", "stroke-width": frame.size[0] / 700 }));
      box.style.pointerEvents = "none";
      draw();
    },
    set([x0, y0], [x1, y1]) {
      const within = (v, most) => Math.round(Math.min(Math.max(v, 0), most));
      const [w, h] = frame.size;
      const [l, t, r, b] = [within(Math.min(x0, x1), w), within(Math.min(y0, y1), h), within(Math.max(x0, x1), w), within(Math.max(y0, y1), h)];
      [l, t, r - l, b - t].forEach((v, i) => { inputs[i].value = v; });
      draw();
    },
  };
}

/** One frame at large: its circle to be dragged by the middle or the rim, and set by numbers. */
async function lookAt(index, frame) {
  const well = el("div", { class: "well" });
  const words = el("p", { class: "faint" }, frame.reason ?? frame.lacks ?? "");
  const limb = frame.limb ?? { x: frame.size[0] / 2, y: frame.size[1] / 2, r: Math.min(...frame.size) / 10 };
  const input = (label, value, step, more = {}) => {
    const i = el("input", { type: "number", step, value: Number(value).toFixed(2), ...more });
    return [i, el("label", {}, label, i)];
  };
  const [x, xl] = input("Centre, pixels from the left", limb.x, "0.1");
  const [y, yl] = input("Centre, pixels from the top", limb.y, "0.1");
  const [r, rl] = input("Radius, pixels", limb.r, "0.1", { min: 2 });
  const [turn, tl] = input("Turned clockwise, degrees", frame.turn_deg, "0.5");
  const [gain, gl] = input("Brighter by, stops", frame.gain_stops, "0.1");
  const out = el("input", { type: "checkbox", checked: frame.excluded });
  const moved = () => Number(x.value) !== Number(limb.x.toFixed(2)) || Number(y.value) !== Number(limb.y.toFixed(2)) || Number(r.value) !== Number(limb.r.toFixed(2));
  const time = timeOf(index, frame, () => dialog.close()), part = partOf(frame, () => dialog.close());
  const zoom = el("select", {}, ...[["fit", "the whole frame"], ["true", "true pixels"]].map(([value, t]) => el("option", { value }, t)));
  const dialog = el("dialog", { "aria-label": frame.file },
    el("div", { class: "row" }, el("h2", {}, frame.file), el("span", { class: "state" }, MARKS[frame.status]), words),
    el("p", { class: "said", role: "status", "aria-live": "polite" }),
    el("div", { class: "view" }, well,
      el("div", { class: "fields" }, el("label", {}, "Shown as", zoom), xl, yl, rl, tl, gl,
        el("label", { class: "row" }, out, " leave this frame out"),
        time.part, part.part,
        el("p", { class: "faint" }, "Drag the circle by its middle or its rim; arrow keys move it by a pixel, with Shift by a tenth."),
        el("div", { class: "row foot" },
          el("button", { class: "first", type: "button", onclick: () => keep() }, "Keep"),
          el("button", { type: "button", onclick: () => dialog.close() }, "Leave as it was")))));
  document.body.append(dialog);
  dialog.addEventListener("close", () => dialog.remove());
  dialog.showModal();
  async function keep() {
    const wish = { exclude: out.checked, turn_deg: Number(turn.value), gain_stops: Number(gain.value) };
    if (moved()) Object.assign(wish, { centre_px: [Number(x.value), Number(y.value)], radius_px: Number(r.value) });
    await ask(`/api/frames/${index}`, wish);
    dialog.close();
    await refresh(true);
    say(`${frame.file}: kept`);
  }
  let svg, circle;
  const draw = () => {
    circle.setAttribute("cx", x.value); circle.setAttribute("cy", y.value); circle.setAttribute("r", r.value);
  };
  async function showFrame() {
    const side = zoom.value === "true" ? Math.max(...frame.size) : 1400;
    svg = await fill(well, `/api/frames/${index}/whole?side=${side}`, { ...frame, limb }, zoom.value === "true" ? frame.size[0] : 1000);
    if (zoom.value === "true") { svg.style.width = `${frame.size[0]}px`; svg.style.height = `${frame.size[1]}px`; }
    circle = svg.querySelector(".limb") ?? svg.appendChild(el("circle", { class: "limb", fill: "none", stroke: "#fff" }));
    circle.setAttribute("stroke-width", zoom.value === "true" ? 1.2 : frame.size[0] / 700);
    circle.style.pointerEvents = "none";
    draw();
    if (zoom.value === "true") well.scrollTo(limb.x - well.clientWidth / 2, limb.y - well.clientHeight / 2);
    const place = (e) => {
      const p = new DOMPoint(e.clientX, e.clientY).matrixTransform(svg.getScreenCTM().inverse());
      return [p.x, p.y];
    };
    let drag = null;
    part.shownIn(svg);
    svg.addEventListener("pointerdown", (e) => {
      if (part.part.open) {
        const [px, py] = place(e);
        drag = { from: [px, py] };
        svg.setPointerCapture(e.pointerId);
        e.preventDefault();
        return;
      }
      const [px, py] = place(e), [cx, cy, cr] = [x, y, r].map((i) => Number(i.value));
      const d = Math.hypot(px - cx, py - cy);
      drag = Math.abs(d - cr) < 0.2 * cr ? { rim: true } : d < cr ? { dx: cx - px, dy: cy - py } : null;
      if (drag) { svg.setPointerCapture(e.pointerId); e.preventDefault(); }
    });
    svg.addEventListener("pointermove", (e) => {
      if (!drag) return;
      const [px, py] = place(e);
      if (drag.from) part.set(drag.from, [px, py]);
      else if (drag.rim) r.value = Math.max(2, Math.hypot(px - Number(x.value), py - Number(y.value))).toFixed(2);
      else { x.value = (px + drag.dx).toFixed(2); y.value = (py + drag.dy).toFixed(2); }
      draw();
    });
    svg.addEventListener("pointerup", () => { drag = null; });
  }
  [x, y, r].forEach((i) => i.addEventListener("input", draw));
  zoom.addEventListener("change", showFrame);
  well.tabIndex = 0;
  well.setAttribute("aria-label", "the frame with its circle");
  well.addEventListener("keydown", (e) => {
    const by = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[e.key];
    if (!by) return;
    e.preventDefault();
    const step = e.shiftKey ? 0.1 : 1;
    x.value = (Number(x.value) + by[0] * step).toFixed(2);
    y.value = (Number(y.value) + by[1] * step).toFixed(2);
    draw();
  });
  await showFrame();
}

function card(index, frame) {
  const well = el("button", { type: "button", class: "well", "aria-label": `look at ${frame.file}`, onclick: () => lookAt(index, frame) });
  const box = el("input", { type: "checkbox", checked: !frame.excluded, onchange: async (e) => {
    try {
      await ask(`/api/frames/${index}`, { exclude: !e.target.checked });
    } catch {
      e.target.checked = !e.target.checked;
      return;
    }
    frame.excluded = !e.target.checked;
    c.classList.toggle("out", frame.excluded);
    await refresh();
    say(`${frame.file} ${e.target.checked ? "is taken in" : "is left out"}`);
  } });
  const details = [frame.local ? `${frame.local.slice(11)} local` : null, frame.utc ? `${frame.utc.slice(11, 19)} UTC` : null, frame.umbral_fraction > 0 ? `umbra ${Math.round(100 * frame.umbral_fraction)} %` : null,
    frame.limb ? `r ${frame.limb.r.toFixed(1)} px` : null, frame.status === "measured" ? `quality ${frame.quality.toFixed(2)}` : null, frame.lacks].filter(Boolean).join(", ");
  const c = el("article", { class: `card${frame.excluded ? " out" : ""}` }, well, el("h3", {}, frame.file),
    el("p", { class: "state" }, frame.foreground ? "landscape" : MARKS[frame.status]), el("p", {}, details), frame.reason ? el("p", {}, frame.reason) : null,
    el("label", {}, box, " use it"));
  return [c, well];
}

export async function show(sheet) {
  if (state.trouble) { sheet.replaceChildren(el("p", {}, state.trouble)); return; }
  const parts = [];
  const complete = !state.missing.length;
  const words = complete ? `${state.frames} frames, and notes that say what the camera did not record. What is changed here is written into them.` : state.registered ? "Some things are not known of this night:" : `${state.frames} frames. Before the Moon is looked for, say what the camera did not record:`;
  const form = el("details", { open: !state.registered && !complete }, el("summary", {}, state.registered && !complete ? "What is not known of this night" : "What the camera did not record"),
    el("p", {}, words), await notesForm());
  parts.push(form);
  if (!state.registered) {
    parts.push(el("p", {}, el("button", { type: "button", class: state.missing.length ? null : "first", disabled: state.runs, onclick: async () => { await ask("/api/register", {}); await refresh(); } }, state.missing.length ? "Look for the Moon without that" : "Look for the Moon")));
    sheet.replaceChildren(...parts);
    return;
  }
  const proof = await json("/api/frames");
  if (state.stale) parts.push(el("p", { class: "said bad" }, "Notes or frames have changed since these were looked at: look again."));
  parts.unshift(el("ol", { class: "sentences" }, ...proof.sentences.map((s) => el("li", {}, s))));
  const grid = el("div", { class: "grid" });
  // Only what is in view is loaded, one at a time for each card.
  const watch = new IntersectionObserver((entries) => {
    for (const e of entries.filter((e) => e.isIntersecting)) {
      watch.unobserve(e.target);
      const index = Number(e.target.dataset.index);
      fill(e.target, `/api/frames/${index}/window`, proof.frames[index], 190).catch(() => {});
    }
  }, { rootMargin: "300px" });
  proof.frames.forEach((frame, index) => {
    const [c, well] = card(index, frame);
    well.dataset.index = index;
    grid.append(c);
    watch.observe(well);
  });
  const rows = proof.contacts.map((c) => el("tr", {}, el("td", {}, c.name), el("td", {}, c.local ?? "not known"), el("td", {}, c.utc.slice(0, 19).replace("T", " ")), el("td", {}, c.before?.[0] ?? "none"), el("td", {}, c.after?.[0] ?? "none")));
  parts.push(el("div", { class: "row" }, el("h2", {}, "The frames"), el("button", { type: "button", disabled: state.runs, onclick: async () => { await ask("/api/register", {}); await refresh(); } }, "Look again")), grid);
  if (rows.length) {
    parts.push(el("h2", {}, "Contacts"), el("div", { class: "scroll" }, el("table", {}, el("thead", {}, el("tr", {}, ...["Contact", "Local", "UTC", "Last usable frame before", "First after"].map((h) => el("th", { scope: "col" }, h)))), el("tbody", {}, ...rows))));
  }
  if (proof.remarks.length) {
    parts.push(el("h2", {}, "What else there is to say"), el("ul", {}, ...proof.remarks.map((r) => el("li", {}, `${r.severity}: ${r.message}${r.help ? ` (${r.help})` : ""}`))));
  }
  const scroll = scrollY;
  sheet.replaceChildren(...parts);
  scrollTo(0, scroll);
}
