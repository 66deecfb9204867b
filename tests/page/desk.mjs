// The page as a person uses it: from a bare folder of frames to a written picture, by the browser alone.
//
//     node tests/page/desk.mjs PROGRAM FRAMES [SHOTS]
//
// PROGRAM is the built `moonloom`, FRAMES a folder of the sample frames (copied; its notes are left behind), SHOTS a folder that
// gets a picture of each sheet. Needs `playwright-core` and, for the check of accessibility, `axe-core` (both from npm) and Chromium.
import { spawn } from "node:child_process";
import { cpSync, existsSync, mkdtempSync, readFileSync, readdirSync, rmSync, writeFileSync } from "node:fs";
import { createRequire } from "node:module";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { strict as assert } from "node:assert";

const require = createRequire(join(process.env.NODE_FOLDER ?? process.cwd(), "x.js"));
const { chromium } = require("playwright-core");
const axe = (() => { try { return require.resolve("axe-core/axe.min.js"); } catch { return null; } })();
const [program, frames, shots] = process.argv.slice(2);
const browserAt = ["/usr/bin/chromium", "/usr/bin/chromium-browser", "/usr/bin/google-chrome"].find(existsSync);

const folder = mkdtempSync(join(tmpdir(), "moonloom-page-"));
for (const name of readdirSync(frames).filter((n) => n.endsWith(".jpg"))) cpSync(join(frames, name), join(folder, name));
const served = spawn(program, ["page", folder, "--no-browser"], { env: { ...process.env, XDG_CACHE_HOME: join(folder, ".cache") } });
const address = await new Promise((found, lost) => {
  served.stderr.on("data", (d) => { const m = /http:\/\/\S+/.exec(String(d)); if (m) found(m[0]); });
  served.on("exit", () => lost(new Error("the program ended")));
});
const browser = await chromium.launch({ executablePath: browserAt, args: ["--no-sandbox"] });
const page = await browser.newPage({ viewport: { width: 1500, height: 1000 } });
const errors = [];
page.on("pageerror", (e) => errors.push(String(e)));
page.on("console", (m) => { if (m.type() === "error") errors.push(m.text()); });
const shot = async (name) => { if (shots) await page.screenshot({ path: join(shots, `${name}.png`), fullPage: false }); };
const check = async (name) => {
  if (!axe) return;
  await page.evaluate(readFileSync(axe, "utf8"));
  const found = await page.evaluate(async () => (await window.axe.run(document, { resultTypes: ["violations"] })).violations
    .filter((v) => ["serious", "critical"].includes(v.impact)).map((v) => `${v.id}: ${v.nodes.map((n) => n.target.join(" ")).slice(0, 3).join(", ")}`));
  assert.deepEqual(found, [], `axe-core on ${name}`);
};
/** Where a registration file has a frame's Moon. */
const centreIn = (ron, file) => /centre_px: \(([-\d.]+), ([-\d.]+)\)/.exec(ron.slice(ron.indexOf(`file: "${file}"`))).slice(1).map(Number);
const text = (name) => readFileSync(join(folder, name), "utf8");
try {
  await page.goto(address);
  assert.equal(new URL(page.url()).search, "", "the key does not stay in the address");
  // A bare folder: the form asks what the camera did not record.
  await page.waitForSelector("form.form");
  await shot("first-run");
  await check("the first run");
  await page.fill("[name=latitude_deg]", "-31.9");
  await page.fill("[name=longitude_deg]", "115.75");
  await page.fill("[name=utc_offset]", "UTC+8");
  await page.selectOption("[name=mount]", "ReaimedTripod");
  await page.fill("[name=pixel_pitch_um]", "9.17");
  await page.click("form.form button.first");
  await page.waitForSelector(".card", { timeout: 120000 });
  assert.match(text("shoot.ron"), /latitude_deg: -31\.9/);
  assert.match(text("registration.ron"), /status: Measured/);
  await page.waitForFunction(() => document.querySelectorAll(".card svg").length >= 6);
  await shot("frames");
  await check("the frames");
  // A frame is left out, by the keyboard.
  const count = await page.locator(".card").count();
  await page.locator(".card input[type=checkbox]").nth(1).focus();
  await page.keyboard.press("Space");
  await page.waitForFunction(() => document.querySelectorAll(".card.out").length === 1);
  assert.match(text("registration.ron"), /exclude: true,/);
  // A circle is dragged by its middle.
  await page.locator(".card .well").nth(2).click();
  await page.waitForSelector("dialog circle.limb");
  const limb = page.locator("dialog circle.limb");
  const at = async () => ({ x: Number(await limb.getAttribute("cx")), y: Number(await limb.getAttribute("cy")) });
  const before = await at(), box = await limb.boundingBox();
  const [x, y] = [box.x + box.width / 2, box.y + box.height / 2];
  await page.mouse.move(x, y);
  await page.mouse.down();
  await page.mouse.move(x + 20, y - 10, { steps: 4 });
  await page.mouse.up();
  const after = await at();
  assert.ok(after.x > before.x + 5 && after.y < before.y - 2, `${JSON.stringify(before)} ${JSON.stringify(after)}`);
  await shot("circle");
  await check("a frame at large");
  await page.click("dialog button.first");
  await page.waitForSelector("dialog", { state: "detached" });
  const [cx, cy] = centreIn(text("registration.ron"), "t0003.jpg");
  assert.ok(Math.hypot(cx - after.x, cy - after.y) < 0.5, `kept at ${cx}, ${cy}, not at ${after.x}, ${after.y}`);
  // Taken back, and again.
  await page.click("#undo");
  await page.waitForFunction(() => document.querySelector("#said").textContent.startsWith("taken back: "));
  const [bx, by] = centreIn(text("registration.ron"), "t0003.jpg");
  assert.ok(Math.hypot(bx - before.x, by - before.y) < 0.5, `back at ${bx}, ${by}, not at ${before.x}, ${before.y}`);
  // A part that is no photograph is drawn in the sky's corner, and a time is mended: both are written, and taken back.
  const notes = text("shoot.ron");
  await page.locator(".card .well").nth(3).click();
  await page.waitForSelector("dialog .well image");
  await page.click("dialog summary:has-text('no photograph')");
  const frame = await page.locator("dialog .well svg").boundingBox();
  await page.mouse.move(frame.x + 5, frame.y + 5);
  await page.mouse.down();
  await page.mouse.move(frame.x + 65, frame.y + 25, { steps: 4 });
  await page.mouse.up();
  await shot("part");
  await check("a part that is no photograph");
  await page.click("dialog button:has-text('Ignore that part')");
  await page.waitForSelector("dialog", { state: "detached" });
  assert.match(text("shoot.ron"), /rectangles: \[\(left_px: \d+, top_px: \d+, width_px: [1-9]\d+, height_px: [1-9]\d*, files: \["t0004\.jpg"\]\)\]/);
  await page.locator(".card .well").nth(3).click();
  await page.click("dialog summary:has-text('When it was taken')");
  await page.fill("dialog details[open] input", "2028-12-31T15:00:30Z");
  await page.click("dialog button:has-text('Write its time')");
  await page.waitForSelector("dialog", { state: "detached" });
  assert.equal(text("frames.csv"), "file,utc\nt0004.jpg,2028-12-31T15:00:30Z\n");
  await page.waitForSelector("text=look again");
  for (const left of [["frames.csv", false], ["shoot.ron", true]]) {
    await page.waitForFunction(() => document.querySelector("#said").textContent === "" || !document.querySelector("#said").textContent.startsWith("taken back"));
    await page.click("#undo");
    await page.waitForFunction(() => document.querySelector("#said").textContent.startsWith("taken back: "));
    await page.evaluate(() => { document.querySelector("#said").textContent = ""; });
    assert.equal(existsSync(join(folder, left[0])), left[1]);
  }
  assert.equal(text("shoot.ron"), notes);
  // The picture.
  await page.click("nav a[href='#picture']");
  await page.waitForFunction(() => document.querySelector(".shown img")?.naturalWidth > 0, null, { timeout: 120000 });
  await page.waitForFunction(() => document.querySelectorAll(".spot").length > 10);
  await shot("picture");
  await check("the picture");
  // The layout's comments stay where a value alone is changed; the picture follows within a second.
  const words = (await (await page.request.get(new URL("/api/layout", address).href)).json()).text;
  const comments = words.split("\n").filter((l) => l.includes("//"));
  const first = await page.locator(".time").textContent();
  const start = Date.now();
  const columns = page.locator("label", { hasText: /^columns/ }).locator("input").first();
  const image = await page.locator(".shown img").first().getAttribute("src");
  await columns.fill("8");
  await columns.press("Tab");
  await page.waitForFunction((i) => document.querySelector(".shown img").src !== i, image, { timeout: 20000 });
  console.log(`a change of columns shows after ${Date.now() - start} ms`);
  await page.waitForFunction((t) => document.querySelector(".time").textContent !== t, first, { timeout: 5000 }).catch(() => {});
  const changed = (await (await page.request.get(new URL("/api/layout", address).href)).json()).text;
  assert.match(changed, /columns: 8/);
  for (const comment of comments) assert.ok(changed.includes(comment.trim()), `lost: ${comment}`);
  // Discs on the screen lie where the composition has them.
  const side = 1600;
  const { composition } = await (await page.request.get(new URL(`/api/composition?side=${side}`, address).href)).json();
  const off = await page.evaluate((c) => {
    const image = document.querySelector(".shown img").getBoundingClientRect();
    return Math.max(...[...document.querySelectorAll(".spot")].map((s, i) => {
      const r = s.getBoundingClientRect(), [x, y] = c.placements[i].map.canvas_centre_px;
      const scale = c.width / image.width;
      return Math.hypot((r.x + r.width / 2 - image.x) * scale - x, (r.y + r.height / 2 - image.y) * scale - y);
    }));
  }, composition);
  console.log(`spots lie within ${off.toFixed(2)} px of their discs`);
  assert.ok(off < 0.5, `${off}`);
  // And on the screen, as it is painted: each whole Moon's light lies where the composition says.
  await page.mouse.move(5, 5);
  const laid = await page.locator(".shown img").first().boundingBox();
  const painted = await page.evaluate(async ([bytes, c, laid]) => {
    const image = await createImageBitmap(new Blob([new Uint8Array(bytes)], { type: "image/png" }));
    const pen = new OffscreenCanvas(image.width, image.height).getContext("2d");
    pen.drawImage(image, 0, 0);
    const scale = laid.width / c.width, lit = 40;
    return c.placements.slice(0, 3).map((p) => {
      const [x, y] = p.map.canvas_centre_px.map((v, i) => v * scale + [laid.x, laid.y][i]), r = 1.06 * p.radius_px * scale;
      const [x0, y0, side] = [Math.floor(x - r), Math.floor(y - r), Math.ceil(2 * r) + 1];
      const { data } = pen.getImageData(x0, y0, side, side);
      let [sx, sy, n] = [0, 0, 0];
      for (let i = 0; i < side * side; i++) {
        const [u, v] = [x0 + i % side + 0.5, y0 + Math.floor(i / side) + 0.5];
        if (data[4 * i + 1] > lit && Math.hypot(u - x, v - y) < r) { sx += u; sy += v; n++; }
      }
      return Math.hypot(sx / n - x, sy / n - y);
    });
  }, [[...await page.screenshot()], composition, laid]);
  console.log(`whole Moons of the screenshot lie within ${Math.max(...painted).toFixed(2)} px of their places`);
  assert.ok(Math.max(...painted) < 0.5, `${painted}`);
  // By hand on the picture: the discs' rim is dragged, and comes to lie under the hand; the margin goes by the keyboard.
  const layoutNow = async () => (await (await page.request.get(new URL("/api/layout", address).href)).json());
  await page.click("button:has-text('Arrange by hand')");
  const rim = page.locator(".handle[title='size of the discs']");
  await rim.waitFor();
  const drawn = () => page.waitForFunction((i) => document.querySelector(".shown img").src !== i, image2, { timeout: 20000 });
  let image2 = await page.locator(".shown img").first().getAttribute("src");
  const hand = await rim.boundingBox();
  const grip = [hand.x + hand.width / 2, hand.y + hand.height / 2];
  await page.mouse.move(...grip);
  await page.mouse.down();
  await page.mouse.move(grip[0] - 6, grip[1], { steps: 3 });
  await page.mouse.up();
  await drawn();
  await page.waitForFunction(() => /^disc diameter is/.test(document.querySelector("#said").textContent));
  const moved = await rim.boundingBox();
  assert.ok(Math.abs(moved.x + moved.width / 2 - (grip[0] - 6)) < 1.5, `the rim lies at ${moved.x}, not at ${grip[0] - 6}`);
  assert.match((await layoutNow()).text, /disc_diameter: "[\d.]+%"/);
  image2 = await page.locator(".shown img").first().getAttribute("src");
  const margin = (await layoutNow()).values.canvas.margin;
  await page.locator(".handle[title='margin']").focus();
  for (let i = 0; i < 4; i++) await page.keyboard.press("ArrowRight");
  await drawn();
  await page.waitForFunction(() => /^margin is/.test(document.querySelector("#said").textContent));
  assert.notEqual((await layoutNow()).values.canvas.margin, margin);
  await shot("by-hand");
  await check("the picture arranged by hand");
  // A moment is taken out on the night's light curve, and put in again.
  image2 = await page.locator(".shown img").first().getAttribute("src");
  const discs = (await page.locator(".spot").count());
  const disc = await page.locator(".light .shown").nth(2).boundingBox();
  await page.mouse.click(disc.x + disc.width / 2, disc.y + disc.height / 2);
  await drawn();
  await page.waitForFunction(() => /is taken out$/.test(document.querySelector("#said").textContent));
  assert.equal(await page.locator(".spot").count(), discs - 1);
  assert.equal((await layoutNow()).values.selection.at.length, discs - 1);
  image2 = await page.locator(".shown img").first().getAttribute("src");
  await page.locator(".light").focus();
  await page.keyboard.press("Enter");
  await page.waitForFunction(() => /is put in$/.test(document.querySelector("#said").textContent), null, { timeout: 20000 });
  assert.equal(await page.locator(".spot").count(), discs);
  await shot("moments");
  // Each of these is a step back.
  for (let i = 0; i < 4; i++) {
    image2 = await page.locator(".shown img").first().getAttribute("src");
    await page.click("#undo");
    await drawn();
  }
  assert.equal((await layoutNow()).text, changed);
  // True pixels: what is seen is drawn at the picture's own size, the middle first.
  await page.click("button:has-text('True pixels')");
  await page.waitForFunction(() => { const p = document.querySelector(".part"); return p && !p.hidden && p.naturalWidth > 0; }, null, { timeout: 60000 });
  await page.waitForTimeout(400);
  const own = await page.evaluate(() => {
    const [part, whole, shown] = [".part", ".whole", ".shown"].map((s) => document.querySelector(s));
    const [p, s] = [part.getBoundingClientRect(), shown.getBoundingClientRect()];
    return { scale: p.width / part.naturalWidth, wide: whole.clientWidth, covers: p.left <= s.left + 2 && p.right >= s.right - 20 && p.top <= s.top + 2 && p.bottom >= s.bottom - 20 };
  });
  assert.ok(Math.abs(own.scale - 1) < 0.01 && own.wide > 1600 && own.covers, JSON.stringify(own));
  await shot("true-pixels");
  await page.click("button:has-text('True pixels')");
  // Another layout, by its small picture of this night.
  await page.click("summary:has-text('Begin from another layout')");
  await page.waitForFunction(() => document.querySelectorAll(".previews img[src^=blob]").length >= 3, null, { timeout: 120000 });
  await shot("layouts");
  await page.locator(".previews button", { hasText: "shadow-map.ron" }).click();
  await page.waitForFunction(() => document.querySelector("#said").textContent.startsWith("begun from"), null, { timeout: 60000 });
  await page.waitForFunction(() => document.querySelector(".shown img")?.naturalWidth > 0, null, { timeout: 60000 });
  await shot("shadow-map");
  // A poster's panel: an edge is dragged, one more comes by the fields and goes again.
  await page.click("summary:has-text('Begin from another layout')");
  await page.locator(".previews button", { hasText: "panels.ron" }).click();
  await page.waitForFunction(() => document.querySelector("#said").textContent === "begun from panels.ron", null, { timeout: 60000 });
  const edge = page.locator(".handle[title='panel 1: right edge']");
  await edge.waitFor();
  const panelOne = (await layoutNow()).values.arrangement.Panels.panels[0];
  const line = await edge.boundingBox(), sheetNow = await page.locator(".whole").boundingBox();
  await page.mouse.move(line.x + line.width / 2, line.y + line.height / 2);
  await page.mouse.down();
  await page.mouse.move(line.x + line.width / 2 - 0.1 * sheetNow.width, line.y + line.height / 2, { steps: 4 });
  await page.mouse.up();
  await page.waitForFunction(() => /^size is/.test(document.querySelector("#said").textContent), null, { timeout: 60000 });
  const panelNow = (await layoutNow()).values.arrangement.Panels.panels[0];
  assert.ok(Math.abs(parseFloat(panelOne.size[0]) - 10 - parseFloat(panelNow.size[0])) < 0.3 && panelNow.size[1] === panelOne.size[1], JSON.stringify(panelNow.size));
  assert.match((await layoutNow()).text, /\/\/ A grid of one: the disc as large as the panel allows\./);
  await shot("poster");
  await check("a poster arranged by hand");
  await page.click("button:has-text('One more panel')");
  await page.waitForFunction(() => [...document.querySelectorAll(".panel summary")].some((s) => s.textContent === "panel 4"), null, { timeout: 60000 });
  assert.equal(await page.locator(".cannot").count(), 0);
  const [third, fourth] = (await layoutNow()).values.arrangement.Panels.panels.slice(2).map((p) => p.at.map(parseFloat));
  assert.ok(Math.abs(fourth[0] - third[0]) > 1 && Math.abs(fourth[1] - third[1]) > 1, `${third} ${fourth}`);
  // No hand takes it off the sheet.
  const corner = page.locator(".handle[title='panel 4: its place']");
  const gripped = await corner.boundingBox();
  await page.mouse.move(gripped.x + 9, gripped.y + 9);
  await page.mouse.down();
  await page.mouse.move(5, 5, { steps: 3 });
  await page.mouse.up();
  await page.waitForFunction(() => /^at is \(0%, 0%\)/.test(document.querySelector("#said").textContent), null, { timeout: 60000 });
  await page.locator(".panel details:has(> summary:text-is('panel 4'))").evaluate((d) => { d.open = true; });
  await page.click("button:has-text('Take panel 4 out')");
  await page.waitForFunction(() => ![...document.querySelectorAll(".panel summary")].some((s) => s.textContent === "panel 4"), null, { timeout: 60000 });
  assert.equal((await layoutNow()).values.arrangement.Panels.panels.length, 3);
  await page.click("button:has-text('Arrange by hand')");
  await page.click("summary:has-text('Begin from another layout')");
  await page.locator(".previews button", { hasText: "shadow-map.ron" }).click();
  await page.waitForFunction(() => document.querySelector("#said").textContent.startsWith("begun from shadow"), null, { timeout: 60000 });
  // A text that cannot be read can be mended after the page was loaded anew.
  const { text: whole } = await layoutNow();
  await page.locator(".panel textarea").evaluate((t) => t.closest("details").open = true);
  await page.fill(".panel textarea", whole.replace("version", "vers(ion"));
  await page.waitForSelector(".cannot", { timeout: 60000 });
  await page.reload();
  await page.waitForSelector(".panel textarea", { timeout: 60000 });
  await page.fill(".panel textarea", whole);
  await page.waitForFunction(() => !document.querySelector(".cannot") && document.querySelector(".shown img")?.naturalWidth > 0, null, { timeout: 60000 });
  // What makes no picture of this night is said where the picture would be, with the way back.
  const { text: stood } = await (await page.request.get(new URL("/api/layout", address).href)).json();
  await page.locator(".panel textarea").evaluate((t) => t.closest("details").open = true);
  await page.fill(".panel textarea", "(version: 2, canvas: (width: 400, height: 300), arrangement: PhaseGrid(columns: 1, rows: 1), selection: (files: [\"none.jpg\"]))");
  await page.waitForSelector(".cannot", { timeout: 60000 });
  await shot("cannot");
  await check("a layout that makes no picture");
  await page.click(".cannot button");
  await page.waitForFunction(() => !document.querySelector(".cannot"), null, { timeout: 60000 });
  assert.equal((await (await page.request.get(new URL("/api/layout", address).href)).json()).text, stood);
  // Saved and written.
  await page.fill("[aria-label=\"the layout's name\"]", "mine.ron");
  await page.click("button:has-text('Save layout')");
  await page.waitForFunction(() => document.querySelector("#said").textContent.includes("mine.ron is written"));
  assert.match(text("mine.ron"), /ShadowMap/);
  await page.fill("[aria-label=\"the picture's name\"]", "night.tif");
  await page.click("button:has-text('Write the picture')");
  await page.waitForFunction(() => /night\.tif: \d+ discs/.test(document.querySelector("#said").textContent), null, { timeout: 120000 });
  assert.ok(readFileSync(join(folder, "night.tif")).length > 100000);
  // The night.
  await page.click("nav a[href='#night']");
  await page.waitForSelector("main table");
  // A place on the map, a lens, and the aim dragged: the frame's own words follow.
  await page.fill("[name=width_px]", "6000");
  await page.fill("[name=height_px]", "4000");
  await page.fill("[name=pixel_pitch_um]", "5.9");
  await page.fill("[name=focal_length_mm]", "35");
  const world = await page.locator(".map").boundingBox();
  await page.mouse.click(world.x + world.width * (115.8 + 180) / 360, world.y + world.height * (31.9 + 84) / 150);
  await page.waitForSelector("h2:has-text('35 mm')", { timeout: 60000 });
  assert.ok(Math.abs(Number(await page.inputValue("[name=latitude]")) + 31.9) < 1);
  const said = page.locator("main p.held");
  const held = await said.textContent();
  assert.match(held, /in the frame from \d\d:\d\d to \d\d:\d\d/);
  await page.locator(".framing").scrollIntoViewIfNeeded();
  const sky = await page.locator(".framing").boundingBox();
  await page.mouse.move(sky.x + sky.width / 2, sky.y + sky.height / 2);
  await page.mouse.down();
  await page.mouse.move(sky.x + sky.width, sky.y + sky.height / 2, { steps: 4 });
  await page.mouse.up();
  assert.notEqual(await said.textContent(), held);
  // One frame of the plan, rehearsed: aimed at the Moon, that stands in its middle.
  await page.check(".rehearsal input[type=checkbox]");
  await page.click("button:has-text('Rehearse this frame')");
  await page.waitForFunction(() => document.querySelector(".rehearsal img")?.naturalWidth > 0, null, { timeout: 60000 });
  const levels = await page.evaluate(() => {
    const image = document.querySelector(".rehearsal img"), canvas = new OffscreenCanvas(image.naturalWidth, image.naturalHeight), pen = canvas.getContext("2d");
    pen.drawImage(image, 0, 0);
    const at = (x, y) => pen.getImageData(x * canvas.width, y * canvas.height, 1, 1).data[0];
    return [at(0.5, 0.5), at(0.25, 0.25)];
  });
  assert.ok(levels[0] > levels[1] + 60, `the Moon against the sky: ${levels}`);
  await page.locator(".rehearsal").scrollIntoViewIfNeeded();
  await shot("night");
  await check("the night");
  // The vigil: what is there is judged, and it can be stopped meanwhile.
  await page.click("nav a[href='#vigil']");
  await page.click("button:has-text('Watch this folder')");
  await page.waitForFunction(() => document.querySelectorAll("main tbody tr").length >= 8 + 2, null, { timeout: 60000 });
  await page.waitForSelector(".vigil .well image");
  await shot("vigil");
  await check("the vigil");
  await page.click("button:has-text('Stop watching')");
  await page.waitForFunction(() => document.querySelector("#said").textContent === "no longer watched", null, { timeout: 60000 });
  await page.selectOption("#light", "field");
  await page.click("nav a[href='#frames']");
  await page.waitForFunction(() => document.querySelectorAll(".card svg").length >= 6);
  await shot("field");
  assert.deepEqual(errors, []);
  console.log(`the page: ${count} frames, from a bare folder to a written picture; no error in the console`);
} catch (e) {
  await shot("failed");
  console.error(errors.join("\n"));
  throw e;
} finally {
  await browser.close();
  served.kill();
  rmSync(folder, { recursive: true, force: true });
}
