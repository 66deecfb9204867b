// The picture at its own pixels: a window that scrolls over it, of which only what is seen is drawn.
import { ask, el } from "./page.js";

/** Lays true pixels over a board's picture; `shown` scrolls, `whole` holds the picture and what lies over it. */
export function trueWindow(shown, whole) {
  const part = el("img", { class: "part", alt: "", hidden: true });
  whole.append(part);
  let on = false, turn = 0, timer = null;
  /** A pixel of the picture is one of the screen. */
  const dots = () => window.devicePixelRatio || 1;
  async function fetchPart() {
    const mine = ++turn;
    const [w, h] = [shown.clientWidth, shown.clientHeight];
    const share = (scrolled, seen, all) => (all > seen ? (scrolled + seen / 2) / all : 0.5);
    const query = new URLSearchParams({
      across: share(shown.scrollLeft, w, shown.scrollWidth), down: share(shown.scrollTop, h, shown.scrollHeight),
      width: Math.round(1.2 * w * dots()), height: Math.round(1.2 * h * dots()) });
    const answer = await ask(`/api/picture/part?${query}`);
    const [left, top, width, height, allWide, allHigh] = answer.headers.get("x-shows").split(",").map(Number);
    const image = URL.createObjectURL(await answer.blob());
    // What was scrolled to meanwhile comes next.
    if (mine !== turn || !on) { URL.revokeObjectURL(image); return; }
    const isOther = whole.style.width !== `${allWide / dots()}px` || whole.style.height !== `${allHigh / dots()}px`;
    const [seenAcross, seenDown] = [Number(query.get("across")), Number(query.get("down"))];
    whole.style.width = `${allWide / dots()}px`;
    whole.style.height = `${allHigh / dots()}px`;
    if (isOther) shown.scrollTo(seenAcross * allWide / dots() - w / 2, seenDown * allHigh / dots() - h / 2);
    if (part.src.startsWith("blob:")) URL.revokeObjectURL(part.src);
    part.src = image;
    Object.assign(part.style, { left: `${left / dots()}px`, top: `${top / dots()}px`, width: `${width / dots()}px`, height: `${height / dots()}px` });
    part.hidden = false;
  }
  const soon = () => {
    // Another board was laid in its place.
    if (!shown.isConnected) removeEventListener("resize", soon);
    if (!on || !shown.isConnected) return;
    clearTimeout(timer);
    timer = setTimeout(() => fetchPart().catch(() => {}), 150);
  };
  shown.addEventListener("scroll", soon);
  addEventListener("resize", soon);
  return {
    /** Shows true pixels, or the whole again. */
    set(wanted) {
      on = wanted;
      shown.classList.toggle("true", on);
      if (on) { soon(); return; }
      ++turn;
      part.hidden = true;
      whole.style.width = whole.style.height = "";
    },
    /** The picture is another one now: the same part of it is looked at. */
    changed() {
      ++turn;
      part.hidden = true;
      soon();
    },
    /** There is no picture. */
    gone() {
      ++turn;
      clearTimeout(timer);
      part.hidden = true;
    },
  };
}
