// Small parts of the page: controls with labels, and the study's own words made harmless.
const INK = "#23302a", FAINT = "#6b756f", RULE = "#e6eae5", TINT = "#e6efe7";
const SVG = "http://www.w3.org/2000/svg";

const el = (tag, attributes = {}, ...children) => {
  const made = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) {
    if (name === "hidden" || name === "checked" || name === "selected") made[name] = value;
    else made.setAttribute(name, value);
  }
  made.append(...children);
  return made;
};

// The drawing library reads a little HTML in its texts, and mathematics between dollar signs.
const HELD = { "&": "&amp;", "<": "&lt;", ">": "&gt;", "$": "&#36;" };
const escaped = (text) => String(text).replace(/[&<>$]/g, (sign) => HELD[sign]);
const wrapped = (text, width = 36) => {
  const lines = [];
  let line = "";
  for (const word of String(text).split(" ")) {
    let left = word;
    if (line && line.length + 1 + left.length > width) { lines.push(line); line = ""; }
    while (left.length > width) { lines.push(left.slice(0, width)); left = left.slice(width); }
    line = line ? `${line} ${left}` : left;
  }
  return [...lines, line].map(escaped).join("<br>");
};
const shortened = (text, most) => (text.length > most ? `${text.slice(0, most - 1)}…` : text);
const figures = (value, digits = 4) =>
  value === null ? "–" : String(Number(value.toPrecision(digits))).replace("-", "−");
const suffix = (unit) => (unit === "1" || unit === "" ? "" : ` ${unit}`);

const SHAPES = {
  "circle": "M15 6a4 4 0 1 0 8 0a4 4 0 1 0-8 0z", "square": "M15.5 2.5h7v7h-7z",
  "triangle-up": "M19 1.5l4.5 8h-9z", "diamond": "M19 1l5 5l-5 5l-5-5z",
  "triangle-down": "M19 10.5l4.5-8h-9z", "cross": "M17 1.5h4v2.5h2.5v4h-2.5v2.5h-4v-2.5h-2.5v-4h2.5z",
  "x": "M15 4l2-2l2 2l2-2l2 2l-2 2l2 2l-2 2l-2-2l-2 2l-2-2l2-2z",
  "star": "M19 .5l1.6 4h4l-3.2 2.5l1.2 4l-3.6-2.4l-3.6 2.4l1.2-4l-3.2-2.5h4z",
};
const swatch = (look) => {
  const box = document.createElementNS(SVG, "svg");
  box.setAttribute("viewBox", "0 0 38 12");
  box.setAttribute("class", "swatch");
  box.setAttribute("aria-hidden", "true");
  const line = document.createElementNS(SVG, "path");
  line.setAttribute("d", "M1 6h36");
  line.setAttribute("stroke", look.colour);
  line.setAttribute("stroke-width", "2");
  if (look.dash !== "solid") line.setAttribute("stroke-dasharray", look.dash.replace(/px/g, ""));
  const mark = document.createElementNS(SVG, "path");
  mark.setAttribute("d", SHAPES[look.symbol]);
  mark.setAttribute("fill", look.open ? "#fff" : look.colour);
  mark.setAttribute("stroke", look.colour);
  box.append(line, mark);
  return box;
};

// Boxes to tick; returns the element and what is ticked, as a set of places.
const ticks = (legend, labels, on, changed, looks = []) => {
  const chosen = new Set(on);
  const box = el("fieldset", { class: "ticks" }, el("legend", {}, legend));
  labels.forEach((label, i) => {
    const input = el("input", { type: "checkbox", checked: chosen.has(i) });
    input.addEventListener("change", () => {
      if (input.checked) chosen.add(i); else chosen.delete(i);
      changed();
    });
    box.append(el("label", {}, input, ...(looks[i] ? [swatch(looks[i])] : []), label));
  });
  return { box, chosen };
};

// A list to choose from; `fill` sets its entries and keeps the choice if it is still there.
const headed = (words) => words.charAt(0).toUpperCase() + words.slice(1);

const picker = (label, changed) => {
  const list = el("select");
  list.addEventListener("change", () => changed());
  const fill = (entries, value = list.value) => {
    list.replaceChildren(...entries.map(([key, words]) => el("option", { value: key }, words)));
    list.value = entries.some(([key]) => key === value) ? value : entries[0][0];
  };
  return { box: el("label", { class: "picker" }, headed(label), list), list, fill };
};

const pressed = (words, act, more = {}) => {
  const button = el("button", { type: "button", ...more }, words);
  button.addEventListener("click", () => act(button));
  return button;
};
