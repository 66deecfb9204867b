// Fields of a layout as a form, made of the program's own schema: nothing here knows a field by its name.
import { el } from "./page.js";

/** Follows references; of an optional value, the value itself. */
function settle(schema, root) {
  for (;;) {
    if (schema.$ref) schema = { ...root.$defs[schema.$ref.split("/").pop()], description: schema.description ?? root.$defs[schema.$ref.split("/").pop()].description };
    else if (schema.anyOf?.some((s) => s.type === "null")) schema = { ...schema.anyOf.find((s) => s.type !== "null"), description: schema.description, optional: true };
    else if (schema.allOf?.length === 1) schema = { ...schema.allOf[0], description: schema.description };
    else return schema;
  }
}

/** A text as the notation writes it. */
export const quoted = (text) => JSON.stringify(text);
/** A number as the notation writes one that need not be whole. */
const number = (text) => { const t = String(Number(text)); return /[.e]/.test(t) ? t : `${t}.0`; };
const isLength = (s) => Array.isArray(s.type) ? s.type.includes("string") && s.type.includes("number") : ["oneOf", "anyOf"].some((k) => s[k]?.some((o) => o.type === "number") && s[k]?.some((o) => o.type === "string"));

/** A choice's names: those without fields, and those with. */
function choices(schema) {
  const of = schema.oneOf ?? schema.anyOf;
  if (schema.enum) return schema.enum.map((name) => ({ name }));
  if (!of) return null;
  const out = [];
  for (const o of of) {
    if (typeof o.const === "string") out.push({ name: o.const, words: o.description });
    else if (o.enum) o.enum.forEach((name) => out.push({ name, words: o.description }));
    else if (o.type === "object" && o.properties) {
      const name = Object.keys(o.properties)[0];
      out.push({ name, words: o.description, inside: o.properties[name] });
    } else return null;
  }
  return out;
}

/** The controls of a struct. `set(way, value)` is told of each change, the value as the notation writes it. */
export function controls(schema, values, root, set, way = []) {
  const out = [];
  for (const [name, raw] of Object.entries(schema.properties ?? {})) {
    if (way.length === 0 && name === "version") continue;
    const field = settle(raw, root), at = [...way, name], value = values?.[name];
    const words = (raw.description ?? field.description ?? "").replace(/\s+/g, " ");
    const label = (control) => el("label", { title: words }, name.replaceAll("_", " "), control);
    const optional = field.optional || Array.isArray(raw.type) && raw.type.includes("null");
    const told = (control, text) => { control.dataset.way = at.join("."); control.addEventListener("change", () => { const t = text(); if (t !== null) set(at, t); }); return label(control); };
    const of = choices(field);
    if (isLength(field) || isLength(raw)) {
      const input = el("input", { value: value ?? "", placeholder: "12mm, 4%, 1.2disc" });
      out.push(told(input, () => input.value.trim() === "" ? (optional ? "None" : null) : /^\d+(\.\d+)?$/.test(input.value.trim()) ? input.value.trim() : quoted(input.value.trim())));
    } else if (of) {
      const now = typeof value === "string" ? value : value && typeof value === "object" ? Object.keys(value)[0] : "";
      const select = el("select", {}, optional ? el("option", { value: "" }, "\u2013") : null, ...of.map((o) => el("option", { value: o.name, selected: o.name === now, title: (o.words ?? "").replace(/\s+/g, " ") }, o.name)));
      const chosen = () => of.find((o) => o.name === select.value);
      out.push(told(select, () => select.value === "" ? "None" : chosen().inside ? `${select.value}(${required(chosen().inside, root)})` : select.value));
      const inside = of.find((o) => o.name === now)?.inside;
      const struct = inside ? settle(inside, root) : null;
      if (struct?.properties) out.push(el("details", { open: way.length === 0 }, el("summary", {}, `${name.replaceAll("_", " ")}: ${now}`), el("div", { class: "fields" }, ...controls(struct, value[now], root, set, at))));
    } else if (field.properties) {
      const inner = controls(field, value ?? {}, root, set, at);
      out.push(el("details", {}, el("summary", { title: words }, name.replaceAll("_", " ")), el("div", { class: "fields" }, ...inner)));
    } else if (field.type === "boolean") {
      const box = el("input", { type: "checkbox", checked: value === true });
      box.dataset.way = at.join(".");
      box.addEventListener("change", () => set(at, String(box.checked)));
      out.push(el("label", { class: "row", title: words }, box, ` ${name.replaceAll("_", " ")}`));
    } else if ([field.type].flat().some((t) => t === "integer" || t === "number")) {
      const whole = [field.type].flat().includes("integer");
      const input = el("input", { type: "number", step: whole ? 1 : "any", value: value ?? "" });
      out.push(told(input, () => input.value === "" ? (optional ? "None" : null) : whole ? String(Math.round(Number(input.value))) : number(input.value)));
    } else if ([field.type].flat().includes("string")) {
      const input = el("input", { value: value ?? "" });
      out.push(told(input, () => input.value === "" && optional ? "None" : quoted(input.value)));
    } else if (field.prefixItems) {
      out.push(pair(field.prefixItems.map((item) => settle(item, root)), { name, words, value, at, optional }, set));
    } else if ([field.type].flat().includes("array") && settle(field.items ?? {}, root).properties) {
      out.push(...list(settle(field.items, root), { name, value: value ?? [], at }, root, set));
    } else if (field.type === "array" && settle(field.items ?? {}, root).type === "string") {
      const input = el("input", { value: (value ?? []).join(", "), placeholder: "separated by commas" });
      out.push(told(input, () => `[${input.value.split(",").map((v) => v.trim()).filter(Boolean).map(quoted).join(", ")}]`));
    }
  }
  return out;
}

/** Two values in one: a place, a size. */
function pair(kinds, { name, words, value, at, optional }, set) {
  const inputs = kinds.map((kind, i) => {
    const input = el("input", { value: value?.[i] ?? "", "aria-label": `${name.replaceAll("_", " ")}, ${kinds.length === 2 && kinds.every(isLength) ? ["across", "down"][i] : i + 1}`, placeholder: isLength(kind) ? "12mm, 4%" : "" });
    input.dataset.way = [...at, i].join(".");
    return input;
  });
  const text = (input, kind) => { const t = input.value.trim(); return !isLength(kind) || /^\d+(\.\d+)?$/.test(t) ? (isLength(kind) ? t : number(t)) : quoted(t); };
  inputs.forEach((input) => input.addEventListener("change", () => {
    const empty = inputs.filter((i) => i.value.trim() === "").length;
    if (empty === 0) set(at, `(${inputs.map((i, k) => text(i, kinds[k])).join(", ")})`);
    else if (empty === inputs.length && optional) set(at, "None");
  }));
  return el("fieldset", { class: "pair", title: words }, el("legend", {}, name.replaceAll("_", " ")), ...inputs);
}

/** A button that keeps the focus when the fields come anew. */
function button(words, way, onclick) {
  const b = el("button", { type: "button", onclick }, words);
  b.dataset.way = way.join(".");
  return b;
}

/** A list of structs: each by its own fields, taken out, or one more. */
function list(item, { name, value, at }, root, set) {
  const one = name.replaceAll("_", " ").replace(/s$/, "");
  return [...value.map((v, i) => el("details", {}, el("summary", {}, `${one} ${i + 1}`),
    el("div", { class: "fields" }, ...controls(item, v, root, set, [...at, String(i)]), button(`Take ${one} ${i + 1} out`, [...at, String(i), "out"], () => set([...at, String(i)], null))))),
  // One like the last stands where that does, and is dragged away from there.
  button(`One more ${one}`, [...at, "more"], () => set(at, value.length ? null : `(${required(item, root)})`, true))];
}

/** What a variant cannot be without, at a value to begin with. */
function required(raw, root) {
  const schema = settle(raw, root);
  const first = (s) => {
    const f = settle(s, root), of = choices(f);
    if (isLength(f)) return quoted("25%");
    if (of) { const o = of[0]; return o.inside ? `${o.name}(${required(o.inside, root)})` : o.name; }
    if (f.type === "integer") return "1";
    if (f.type === "number") return "1.0";
    if (f.type === "boolean") return "false";
    if (f.type === "array") return Array.isArray(f.prefixItems) ? `(${f.prefixItems.map(first).join(", ")})` : "[]";
    if (f.properties) return `(${required(f, root)})`;
    return quoted("");
  };
  return (schema.required ?? []).map((name) => `${name}: ${first(schema.properties[name])}`).join(", ");
}
