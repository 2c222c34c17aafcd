// Takes the points on the photograph of a strip. Text goes in as text, never as markup.
"use strict";

(() => {
  const byId = (id) => document.getElementById(id);
  const SPACE = "http://www.w3.org/2000/svg";
  const points = []; // {key, name, x, y, colour?, button, row}
  let size = [1, 1];
  let next = 0;
  let cross = [0, 0];

  function svg(parent, name, attributes, text = "") {
    const made = document.createElementNS(SPACE, name);
    for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
    if (text) made.textContent = text;
    parent.append(made);
    return made;
  }

  function field(label, type, more) {
    const outer = document.createElement("label");
    const input = document.createElement("input");
    outer.append(`${label} `, input);
    input.type = type;
    Object.assign(input, more);
    return [outer, input];
  }

  // Rows of points: a button that makes it the next one, and its numbers.

  function addPoint(key, name) {
    const row = document.createElement("fieldset");
    row.className = key === "spot" ? "point spot" : "point";
    const title = document.createElement("legend");
    title.className = "soft";
    title.textContent = name;
    const button = document.createElement("button");
    button.type = "button";
    button.textContent = `Point at ${name.toLowerCase()}`;
    const [xLabel, x] = field("x", "number", { step: "any" });
    const [yLabel, y] = field("y", "number", { step: "any" });
    const point = { key, name, x, y, button, row };
    row.append(title, button, xLabel, yLabel);
    if (key === "spot") {
      const [colourLabel, colour] = field("Colour", "text", { maxLength: 60, autocomplete: "off" });
      colourLabel.className = "colour";
      colour.setAttribute("list", "colours");
      const remove = document.createElement("button");
      remove.type = "button";
      remove.textContent = "Remove";
      remove.setAttribute("aria-label", `Remove ${name.toLowerCase()}`);
      remove.addEventListener("click", () => {
        points.splice(points.indexOf(point), 1);
        row.remove();
        choose(Math.min(next, points.length - 1));
        byId("add").focus();
      });
      point.colour = colour;
      row.append(colourLabel, remove);
    }
    button.addEventListener("click", () => {
      choose(points.indexOf(point));
      byId("cross").focus();
    });
    x.addEventListener("input", draw);
    y.addEventListener("input", draw);
    points.push(point);
    byId("points").append(row);
    return point;
  }

  function choose(index) {
    next = index;
    points.forEach((point, i) => {
      point.row.classList.toggle("next", i === next);
      point.button.setAttribute("aria-pressed", String(i === next));
    });
    byId("what").textContent = points[next] ? `Point at: ${points[next].name.toLowerCase()}` : "";
    draw();
  }

  function place(x, y) {
    const point = points[next];
    if (!point) return;
    point.x.value = x.toFixed(1);
    point.y.value = y.toFixed(1);
    const open = points.findIndex((one) => one.x.value === "" || one.y.value === "");
    if (point.colour && !point.colour.value) {
      choose(next);
      point.colour.focus();
    } else choose(open < 0 ? next : open);
  }

  // The photograph: marks are drawn in its own pixels.

  function at(point) {
    const [x, y] = [point.x.valueAsNumber, point.y.valueAsNumber];
    return Number.isFinite(x) && Number.isFinite(y) ? [x, y] : null;
  }

  function draw() {
    const marks = byId("marks");
    marks.setAttribute("viewBox", `0 0 ${size[0]} ${size[1]}`);
    marks.setAttribute("preserveAspectRatio", "none");
    marks.replaceChildren();
    const arm = Math.max(size[0], size[1]) / 90;
    const found = points.map((point) => [point, at(point)]).filter(([, place]) => place);
    const ends = found.filter(([point]) => point.key === "left" || point.key === "right");
    for (const look of ["outer", "inner"]) {
      if (ends.length === 2) {
        const [[, a], [, b]] = ends;
        svg(marks, "line", { class: look, x1: a[0], y1: a[1], x2: b[0], y2: b[1] });
      }
      for (const [point, [x, y]] of found) {
        if (point.key === "spot") svg(marks, "circle", { class: look, cx: x, cy: y, r: arm });
        else svg(marks, "line", { class: look, x1: x - arm, y1: y, x2: x + arm, y2: y });
      }
    }
    const [x, y] = cross;
    svg(marks, "line", { class: "cross", x1: x - arm, y1: y, x2: x + arm, y2: y });
    svg(marks, "line", { class: "cross", x1: x, y1: y - arm, x2: x, y2: y + arm });
    byId("cross-at").textContent = `${Math.round(x)}, ${Math.round(y)}`;
  }

  byId("stage").addEventListener("click", (event) => {
    const box = byId("photograph").getBoundingClientRect();
    const x = ((event.clientX - box.left) / box.width) * size[0];
    const y = ((event.clientY - box.top) / box.height) * size[1];
    cross = [Math.min(Math.max(x, 0), size[0] - 1), Math.min(Math.max(y, 0), size[1] - 1)];
    place(...cross);
  });

  byId("cross").addEventListener("keydown", (event) => {
    const ways = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
    const way = ways[event.key];
    if (!way) return;
    event.preventDefault();
    const step = event.shiftKey ? 1 : Math.max(1, Math.round(Math.max(...size) / 100));
    cross = cross.map((value, i) => Math.min(Math.max(value + way[i] * step, 0), size[i] - 1));
    draw();
  });
  byId("cross").addEventListener("click", () => place(...cross));

  // What is sent, and what comes back.

  function asked() {
    const number = (input) => (Number.isFinite(input.valueAsNumber) ? input.valueAsNumber : null);
    const of = (key) => {
      const point = points.find((one) => one.key === key);
      return at(point);
    };
    return {
      strip: byId("strip").value, system: byId("system").value, unit: byId("unit").value,
      session: byId("session").value, front_mm: number(byId("front_mm")),
      u_mm: number(byId("u_mm")), left: of("left"), right: of("right"), front: of("front"),
      spots: points.filter((one) => one.key === "spot" && (at(one) || one.colour.value))
        .map((one) => ({ at: at(one), colour: one.colour.value })),
    };
  }

  function show(problems) {
    byId("problems").replaceChildren(...problems.map((problem) => {
      const made = document.createElement("p");
      made.className = "problem";
      const where = problem.column ? `${problem.column}: ` : "";
      made.textContent = `${where}found ${problem.found}; expected ${problem.expected}. ${problem.mend || ""}`;
      return made;
    }));
  }

  function showLane(found) {
    byId("lane").hidden = false;
    byId("sentence").textContent = found.sentence;
    byId("spots").replaceChildren(...found.spots.map((spot) => {
      const row = document.createElement("tr");
      const may = spot.candidates.join(" or ") || "no candidate";
      const cells = [spot.colour, spot.spot_mm, `${spot.rf} ± ${spot.u_rf}`, spot.reason ? `${may} (${spot.reason})` : may];
      cells.forEach((text) => {
        const cell = document.createElement("td");
        cell.textContent = text;
        row.append(cell);
      });
      return row;
    }));
    const plot = byId("profile");
    plot.replaceChildren();
    const top = Math.max(0.05, ...found.profile.density);
    const x = (rf) => 30 + (rf + 0.06) * (560 / 1.12);
    const y = (density) => 155 - (Math.max(density, 0) / top) * 140;
    svg(plot, "line", { class: "axis", x1: x(-0.06), x2: x(1.06), y1: 155, y2: 155 });
    for (const rf of [0, 0.25, 0.5, 0.75, 1]) {
      svg(plot, "line", { class: "axis", x1: x(rf), x2: x(rf), y1: 155, y2: 160 });
      svg(plot, "text", { x: x(rf), y: 175, "text-anchor": "middle" }, String(rf));
    }
    svg(plot, "text", { x: x(0), y: 188, "text-anchor": "middle" }, "start");
    svg(plot, "text", { x: x(1), y: 188, "text-anchor": "middle" }, "front");
    for (const spot of found.spots) svg(plot, "line", { class: "spot", x1: x(spot.rf), x2: x(spot.rf), y1: 15, y2: 155 });
    const path = found.profile.rf.map((rf, i) => `${x(rf).toFixed(1)},${y(found.profile.density[i]).toFixed(1)}`);
    svg(plot, "polyline", { class: "density", points: path.join(" ") });
  }

  async function send(address, body) {
    show([]);
    byId("written").textContent = "";
    try {
      const answer = await fetch(address, {
        method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(body),
      });
      const found = await answer.json();
      if (!answer.ok) show(found.problems);
      else showLane(found);
      return answer.ok ? found : null;
    } catch {
      show([{ found: "no answer", expected: "the command at work in the terminal", mend: "Start it again." }]);
      return null;
    }
  }

  byId("preview").addEventListener("click", () => send("/api/lane", asked()));
  byId("form").addEventListener("submit", async (event) => {
    event.preventDefault();
    const found = await send("/api/save", { ...asked(), replace: byId("replace").checked });
    if (found) {
      byId("written").textContent = `Written: ${found.written.join(", ")}. End the command in the terminal by Ctrl-C.`;
      byId("written").scrollIntoView({ block: "nearest" });
    }
  });
  byId("add").addEventListener("click", () => {
    addPoint("spot", `Spot ${points.filter((one) => one.key === "spot").length + 1}`);
    choose(points.length - 1);
    byId("cross").focus();
  });

  async function start() {
    const state = await (await fetch("/api/state")).json();
    size = state.size;
    cross = [size[0] / 2, size[1] / 2];
    byId("name").textContent = state.name;
    byId("size").textContent = `${size[0]} by ${size[1]} pixels`;
    for (const [id, value] of Object.entries(state.given)) byId(id).value = value;
    for (const [list, words] of [["systems", state.systems], ["colours", state.colours]]) {
      byId(list).append(...words.map((word) => {
        const option = document.createElement("option");
        option.value = word;
        return option;
      }));
    }
    addPoint("left", "Left end of the start line");
    addPoint("right", "Right end of the start line");
    addPoint("front", "Solvent front");
    addPoint("spot", "Spot 1");
    choose(0);
  }
  start();
})();
