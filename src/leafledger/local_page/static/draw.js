// Draws spectra as SVG. Text goes in as text, never as markup.
"use strict";

const Draw = (() => {
  const SPACE = "http://www.w3.org/2000/svg";
  const LOOKS = 7;
  const LETTER = 6.6; // mean width of a letter of the labels, and the distance of two lines of them
  const LINE = 15;
  const MARKS = {
    0: "M-4 0a4 4 0 1 0 8 0a4 4 0 1 0-8 0",
    1: "M-3.6-3.6h7.2v7.2h-7.2z",
    2: "M0-4.6L4.4 3.4H-4.4z",
    3: "M0-5L5 0L0 5L-5 0z",
    4: "M0 4.6L4.4-3.4H-4.4z",
    5: "M-4-4L4 4M4-4L-4 4",
    6: "M0-5V5M-5 0H5",
  };

  function node(name, attributes = {}, text = "") {
    const made = document.createElementNS(SPACE, name);
    for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
    if (text) made.textContent = text;
    return made;
  }

  function ticks(low, high, wanted) {
    const rough = (high - low) / Math.max(wanted, 1);
    const size = 10 ** Math.floor(Math.log10(rough));
    const step = size * ([1, 2, 5, 10].find((k) => k * size >= rough) || 10);
    const found = [];
    for (let k = Math.ceil(low / step - 1e-9); k * step <= high + step * 1e-9; k += 1) found.push(k * step);
    return [found, Math.max(0, -Math.floor(Math.log10(step) + 1e-9))];
  }

  // Text in as few lines as hold so many letters each.
  function folded(text, letters) {
    const lines = [""];
    for (const word of text.split(" ")) {
      const last = lines.length - 1;
      const longer = lines[last] ? `${lines[last]} ${word}` : word;
      if (lines[last] && longer.length > letters) lines.push(word);
      else lines[last] = longer;
    }
    return lines;
  }

  function extent(lines, column) {
    let low = Infinity;
    let high = -Infinity;
    for (const line of lines) {
      for (const point of line) {
        if (point[column] < low) low = point[column];
        if (point[column] > high) high = point[column];
      }
    }
    if (low > high) return [0, 1];
    return low === high ? [low - 0.5, high + 0.5] : [low, high];
  }

  const path = (line, x, y) => line.map((p, k) => `${k ? "L" : "M"}${x(p[0]).toFixed(1)} ${y(p[1]).toFixed(1)}`).join("");

  // A line's swatch for the list: the same dashes, colour and marker as in the figure.
  function swatch(look, strong) {
    const svg = node("svg", { class: "swatch", viewBox: "0 0 58 18", "aria-hidden": "true" });
    svg.append(node("path", { class: `l k${look} ${strong ? "strong" : ""}`, d: "M1 9H57" }));
    svg.append(node("path", { class: `m k${look}`, d: MARKS[look], transform: "translate(29 9)" }));
    return svg;
  }

  // The heights are those of the trusted range, where there are points in it: a spike outside it,
  // which nothing reads, would press flat what is to be judged.
  function heights(lines, range) {
    const within = range ? lines.map((line) => line.filter((p) => p[0] >= range[0] && p[0] <= range[1])) : lines;
    return extent(within.some((line) => line.length) ? within : lines, 1);
  }

  // A part of the figure in which lines end at the frame.
  function framed(svg, box, width) {
    const high = box.bottom - box.top;
    const inside = node("svg", { x: 0, y: box.top, width, height: high, viewBox: `0 ${box.top} ${width} ${high}` });
    svg.append(inside);
    return inside;
  }

  // `heights` holds the vertical scale; `least` is what it shows at least, up and down.
  // spec: {lines: [{points, look, strong, label}], band, middle, range, scale, heights, least, zero, places, words, y, height, width}
  function plot(spec) {
    const width = Math.max(280, Math.round(spec.width));
    const narrow = width < 520;
    const heading = folded(spec.y, Math.floor((width - 8) / LETTER));
    const top = 22 + LINE * (heading.length - 1);
    const height = spec.height + top - 22;
    const named = Math.max(0, ...spec.lines.map((line) => (line.label || "").length));
    const box = { left: 52, right: width - Math.max(narrow ? 30 : 44, 10 + 9 * named), top, bottom: height - 36 };
    const all = spec.lines.map((line) => line.points);
    const shown = spec.band ? [...all, spec.band.low, spec.band.high] : all;
    const [x0, x1] = extent(shown, 0);
    let [y0, y1] = spec.heights || heights(shown, spec.scale);
    if (spec.least) { y0 = Math.min(y0, -spec.least); y1 = Math.max(y1, spec.least); }
    if (spec.zero) y0 = Math.min(y0, 0);
    const room = (y1 - y0) * 0.07;
    y0 -= room;
    y1 += room;
    const x = (v) => box.left + ((v - x0) / (x1 - x0)) * (box.right - box.left);
    const y = (v) => box.bottom - ((v - y0) / (y1 - y0)) * (box.bottom - box.top);
    const svg = node("svg", { class: "plot", viewBox: `0 0 ${width} ${height}`, role: "img" });
    svg.setAttribute("aria-label", spec.words);
    if (spec.range) shade(svg, spec.range, box, x, x0, x1);
    heading.forEach((text, k) => svg.append(node("text", { x: 4, y: 13 + LINE * k }, text)));
    axes(svg, spec, box, x, y, [x0, x1, y0, y1], narrow);
    svg.append(node("text", { x: box.right, y: height - 3, "text-anchor": "end" }, "wavelength (nm)"));
    const inside = framed(svg, box, width);
    if (spec.band) {
      const back = [...spec.band.high].reverse();
      inside.append(node("path", { class: "band", d: `${path([...spec.band.low, ...back], x, y)}Z` }));
      inside.append(node("path", { class: "middle", d: path(spec.band.middle, x, y) }));
    }
    for (const place of spec.places || []) {
      if (place >= x0 && place <= x1) svg.append(node("path", { class: "place", d: `M${x(place)} ${box.top}V${box.bottom}` }));
    }
    name(svg, draw(inside, spec.lines, x, y), box);
    return svg;
  }

  function shade(svg, range, box, x, x0, x1) {
    const high = box.bottom - box.top;
    const left = x(Math.min(Math.max(range[0], x0), x1));
    const right = x(Math.min(Math.max(range[1], x0), x1));
    svg.append(node("rect", { class: "outside", x: box.left, y: box.top, width: left - box.left, height: high }));
    svg.append(node("rect", { class: "outside", x: right, y: box.top, width: box.right - right, height: high }));
  }

  function axes(svg, spec, box, x, y, [x0, x1, y0, y1], narrow) {
    const [across, dx] = ticks(x0, x1, narrow ? 4 : 8);
    const [up, dy] = ticks(y0, y1, spec.height < 200 ? 4 : 5);
    for (const v of up) {
      svg.append(node("path", { class: "grid", d: `M${box.left} ${y(v)}H${box.right}` }));
      svg.append(node("text", { x: box.left - 6, y: y(v) + 4, "text-anchor": "end" }, tidy(v, dy)));
    }
    for (const v of across) {
      svg.append(node("path", { class: "axis", d: `M${x(v)} ${box.bottom}v5` }));
      svg.append(node("text", { x: x(v), y: box.bottom + 18, "text-anchor": "middle" }, tidy(v, dx)));
    }
    if (y0 < 0 && y1 > 0) svg.append(node("path", { class: "zero", d: `M${box.left} ${y(0)}H${box.right}` }));
    svg.append(node("path", { class: "axis", d: `M${box.left} ${box.top}V${box.bottom}H${box.right}` }));
  }

  // A true minus, and thin spaces between thousands from five digits on.
  function tidy(v, digits) {
    const text = Math.abs(v) < 10000 ? v.toFixed(digits) : String(Math.round(v)).replace(/\B(?=(\d{3})+$)/g, "\u2009");
    return text.replace("-", "\u2212");
  }

  // Draws the lines, and returns the names that stand at their ends.
  function draw(svg, lines, x, y) {
    const order = [...lines.keys()].sort((a, b) => Number(lines[a].strong) - Number(lines[b].strong));
    const ends = [];
    for (const k of order) {
      const { points, look, strong, label } = lines[k];
      if (!points.length) continue;
      const kind = look === null ? "quiet" : `k${look}`;
      svg.append(node("path", { class: `l ${kind} ${strong ? "strong" : ""}`, d: path(points, x, y) }));
      if (look !== null) {
        for (let part = 1; part <= 4; part += 1) {
          const at = points[Math.min(points.length - 1, Math.round(((part - 0.5 + (k % 4) / 6) / 4.4) * points.length))];
          svg.append(node("path", { class: `m k${look}`, d: MARKS[look], transform: `translate(${x(at[0])} ${y(at[1])})` }));
        }
      }
      if (label) ends.push({ y: y(points[points.length - 1][1]), label });
    }
    return ends;
  }

  function name(svg, ends, box) {
    for (const end of ends) end.y = Math.min(Math.max(end.y, box.top), box.bottom);
    ends.sort((a, b) => a.y - b.y);
    ends.forEach((end, k) => { if (k) end.y = Math.max(end.y, ends[k - 1].y + 14); });
    const over = ends.length ? ends[ends.length - 1].y - box.bottom : 0;
    for (const end of ends) {
      svg.append(node("text", { class: "end", x: box.right + 5, y: end.y - Math.max(over, 0) + 4 }, end.label));
    }
  }

  return { plot, swatch, LOOKS };
})();
