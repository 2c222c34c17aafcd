// The effect at every wavelength with its simultaneous band, one contrast at a time.
const differenceFigure = (host, values) => {
  const { contrasts } = values;
  const contrast = picker("Contrast", () => redraw());
  contrast.fill(contrasts.map((one, i) => [String(i), one.words]), String(contrasts.length - 1));
  const chosen = () => contrasts[Number(contrast.list.value)];
  const known = contrasts.flatMap((c) => [...c.estimate, ...c.low, ...c.high]).filter((v) => v !== null);
  const [low, high] = known.reduce(([a, b], v) => [Math.min(a, v), Math.max(b, v)], [0, 0]);
  const pad = 0.08 * (high - low) || 0.01;
  const home = () => ({ "xaxis.range": [chosen().wavelength[0], chosen().wavelength.at(-1)],
    "yaxis.range": [low - 1.5 * pad, high + pad] });
  const view = framed(host, { controls: [el("div", { class: "controls" }, contrast.box)], height: 400, home,
    title: () => `${host.dataset.title}: ${chosen().words}` });

  const runs = ({ wavelength, apart }) => {
    const out = [];
    apart.forEach((is, k) => {
      if (is && apart[k - 1]) out.at(-1)[1] = wavelength[k];
      else if (is) out.push([wavelength[k], wavelength[k]]);
    });
    return out;
  };

  const redraw = () => {
    const one = chosen(), colour = "#0072B2", edge = { color: colour, width: 0.6 };
    const texts = one.wavelength.map((w, k) => `${figures(w)} nm: ${figures(one.estimate[k], 3)}` +
      (one.low[k] === null ? "" : `<br>band ${figures(one.low[k], 3)} to ${figures(one.high[k], 3)}` +
        `<br>${one.apart[k] ? "leaves zero out" : "holds zero"}`));
    const apart = runs(one);
    view.said.textContent = `n = ${one.n} ${values.unit_words}. The band leaves zero out at ` +
      (apart.length ? `${apart.map(([a, b]) => (a === b ? figures(a) : `${figures(a)} to ${figures(b)}`)).join(", ")} nm.`
        : "no wavelength.");
    const { "xaxis.range": rangeX, "yaxis.range": rangeY } = home();
    return view.draw([
      { type: "scatter", mode: "lines", x: one.wavelength, y: one.low, line: edge, hoverinfo: "skip", showlegend: false },
      { type: "scatter", mode: "lines", x: one.wavelength, y: one.high, line: edge, hoverinfo: "skip", fill: "tonexty",
        fillcolor: "rgba(0,114,178,.2)", name: "simultaneous band" },
      { type: "scatter", mode: "lines", x: one.wavelength, y: one.estimate, text: texts, name: "estimate",
        line: { color: colour, width: 2 }, hovertemplate: "%{text}<extra></extra>" },
    ], {
      uirevision: "kept", hovermode: "x", hoverdistance: -1,
      annotations: [{ xref: "paper", yref: "paper", x: 0, y: 1, xanchor: "left", yanchor: "bottom", showarrow: false,
        text: escaped(shortened(one.words, narrow() ? 44 : 90)), font: { size: 12, color: INK } }],
      xaxis: axis("wavelength (nm)", { range: rangeX }),
      yaxis: axis("reflectance difference", { range: rangeY }),
      shapes: [{ type: "line", xref: "paper", x0: 0, x1: 1, y0: 0, y1: 0, line: { color: INK, width: 1 } },
        ...apart.map(([from, to]) => ({ type: "rect", xref: "x", yref: "paper", x0: from, x1: to, y0: 0, y1: 0.022,
          fillcolor: INK, line: { width: from === to ? 1 : 0, color: INK } }))],
    });
  };

  view.show();
  return redraw();
};
