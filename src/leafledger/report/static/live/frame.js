// What all figures that answer the pointer share: axes, buttons, zoom by key, saving.
const FONT = '"DejaVu Sans", Verdana, Arial, sans-serif';
const CONFIG = {
  displaylogo: false, displayModeBar: false, showSendToCloud: false, showEditInChartStudio: false,
  responsive: true, doubleClick: false,
};
// A finger that drags scrolls the page; the buttons zoom.
const touch = window.matchMedia("(pointer: coarse)").matches;
const narrow = () => window.matchMedia("(max-width: 40rem)").matches;

const axis = (title, more = {}) => ({
  title: { text: title, standoff: 8, font: { size: 12 } }, showline: true, linecolor: FAINT,
  ticks: "outside", tickcolor: FAINT, gridcolor: RULE, zeroline: false, automargin: true,
  tickfont: { size: 11 }, ...more,
});

const layout = (more) => ({
  font: { family: FONT, size: 12, color: INK }, paper_bgcolor: "#fff", plot_bgcolor: "#fff",
  margin: { l: 58, r: 16, t: 26, b: 46 }, hovermode: "closest", showlegend: false,
  dragmode: touch ? false : "zoom", hoverdistance: 24,
  hoverlabel: { align: "left", bgcolor: "#fff", bordercolor: FAINT, namelength: -1,
    font: { family: FONT, color: INK, size: narrow() ? 10 : 11 } },
  ...more,
});

const zoomed = (plot, factor, along = 0) => {
  const out = {};
  for (const name of along ? ["xaxis"] : ["xaxis", "yaxis"]) {
    const [from, to] = plot.layout[name].range;
    const middle = (from + to) / 2 + along * (to - from), half = (factor * (to - from)) / 2;
    out[`${name}.range`] = [middle - half, middle + half];
  }
  return Plotly.relayout(plot, out);
};

const drawnAs = (plot, title) => async () => {
  const [width, height] = [960, 600];
  const whole = {
    ...plot.layout, width, height, autosize: false, showlegend: true,
    legend: { orientation: "h", x: 0, y: -0.16, yanchor: "top", font: { size: 12 } },
    margin: { l: 70, r: 60, t: 64, b: 60 }, title: { text: wrapped(title(), 110), font: { size: 15 }, x: 0.02 },
  };
  const data = await Plotly.toImage({ data: plot.data, layout: whole }, { format: "svg", width, height });
  return { svg: decodeURIComponent(data.slice(data.indexOf(",") + 1)), width, height };
};

// Puts a figure together. `home` gives the ranges of the whole view, or nothing for the automatic ones.
const framed = (host, { controls = [], height = 430, zoom = true, title = () => host.dataset.title, home }) => {
  const name = host.dataset.live;
  const figure = host.closest("figure");
  const plot = el("div", { class: "drawn", id: `drawn-${name}`, role: "img", "aria-label": host.dataset.title });
  plot.style.height = `${narrow() ? Math.round(0.85 * height) : height}px`;
  const said = el("p", { class: "said", "aria-live": "polite" });
  const back = () => Plotly.relayout(plot, home ? home() : { "xaxis.autorange": true, "yaxis.autorange": true });
  const zooms = zoom ? [
    pressed("Zoom in", () => zoomed(plot, 0.6)),
    pressed("Zoom out", () => zoomed(plot, 1 / 0.6)),
    pressed("←", () => zoomed(plot, 1, -0.25), { "aria-label": "Move left" }),
    pressed("→", () => zoomed(plot, 1, 0.25), { "aria-label": "Move right" }),
    pressed("Whole view", back),
  ] : [];
  const live = el("div", { class: "answering" }, ...controls, said, plot);
  const swap = pressed("Still picture", (button) => {
    const still = figure.classList.toggle("as-still");
    button.textContent = still ? "Live picture" : "Still picture";
    if (!still) Plotly.Plots.resize(plot);
  });
  host.replaceChildren(live, el("div", { class: "tools" },
    el("div", { class: "answering" }, ...zooms), el("div", { class: "answering saves" }, ...saveButtons(name, drawnAs(plot, title))), swap));
  return {
    plot, said,
    // Shown before it is drawn, so that its width is known.
    show() { host.hidden = false; figure.classList.add("on"); },
    draw: (data, arranged) => Plotly.react(plot, data, layout(arranged), CONFIG),
    whole: back,
  };
};

// Many lines as one trace: a gap after each. `texts` holds what the pointer is told, one per line.
const joined = (x, lines, texts) => {
  const out = { x: [], y: [], text: [] };
  lines.forEach((line, i) => {
    for (let k = 0; k < line.length; k += 1) {
      out.x.push(x[k]);
      out.y.push(line[k]);
      out.text.push(texts[i]);
    }
    out.x.push(null);
    out.y.push(null);
    out.text.push("");
  });
  return out;
};
