// Accuracy and loading that follow the slider of the confusion matrices.
const stepsOf = (host) => host.closest(".steps");
const stepNow = (host, otherwise) => Number(stepsOf(host)?.dataset.n ?? otherwise);
const onStep = (host, act) => stepsOf(host)?.addEventListener("step", (event) => act(event.detail));

const pathFigure = (host, values) => {
  const { splits, looks, chosen, largest_class: largest } = values;
  const legend = el("p", { class: "legend" }, ...splits.map((split, i) => el("span", {}, swatch(looks[i]), split.words)));
  const view = framed(host, { controls: [legend], height: narrow() ? 320 : 270, zoom: false });
  const most = Math.max(...splits.flatMap((s) => s.n));
  const edge = (split, name, look, more) => ({ type: "scatter", mode: "lines", x: split.n, y: split[name],
    line: { width: 0, color: look.colour }, hoverinfo: "skip", showlegend: false, ...more });
  const tracesOf = (split, look) => [
    edge(split, "lowest", look),
    edge(split, "highest", look, { fill: "tonexty", fillcolor: `${look.colour}2e` }),
    { type: "scatter", mode: "lines+markers", name: split.words, x: split.n, y: split.mean,
      line: { color: look.colour, width: 2, dash: look.dash }, marker: { symbol: look.symbol, color: look.colour, size: 8 },
      text: split.n.map((n, k) => wrapped(`${n} latent variable${n === 1 ? "" : "s"}, ${split.words}: ` +
        `${figures(100 * split.mean[k], 3)} % right (repeats ${figures(100 * split.lowest[k], 3)} to ` +
        `${figures(100 * split.highest[k], 3)} %)`)), hovertemplate: "%{text}<extra></extra>" },
  ];
  const line = (at, more) => ({ type: "line", yref: "paper", x0: at, x1: at, y0: 0, y1: 1, line: { color: INK, ...more } });
  const redraw = (now) => {
    view.said.textContent = splits.map((s) => `${s.words.split(" (")[0]} ${figures(100 * s.mean[s.n.indexOf(now)], 3)} %`)
      .join("; ") + ` right with ${now} latent variable${now === 1 ? "" : "s"}${now === chosen ? " (chosen)" : ""}.`;
    return view.draw([...splits.flatMap((s, i) => tracesOf(s, looks[i])), {
      type: "scatter", mode: "markers", name: "where the slider stands", hoverinfo: "skip",
      x: splits.map(() => now), y: splits.map((s) => s.mean[s.n.indexOf(now)]),
      marker: { symbol: "circle-open", size: 17, color: INK, line: { width: 2.5 } },
    }], {
      xaxis: axis("number of latent variables", { range: [0.5, most + 0.5], dtick: most > 10 && narrow() ? 2 : 1, tick0: 1, fixedrange: true }),
      yaxis: axis("share of scans called right", { range: [0, 1.04], tickformat: ".0%", fixedrange: true }),
      shapes: [line(chosen, { width: 1, dash: "4px,3px" }), ...(largest === null || largest === undefined ? [] : [
        { type: "line", xref: "paper", x0: 0, x1: 1, y0: largest, y1: largest, line: { color: FAINT, width: 1 } }])],
      annotations: [
        { x: chosen, y: 0.02, xanchor: chosen > most / 2 ? "right" : "left", yanchor: "bottom", showarrow: false,
          text: `chosen: ${chosen}`, xshift: chosen > most / 2 ? -4 : 4, font: { size: 11 } },
        ...(largest === null || largest === undefined ? [] : [{ xref: "paper", x: 1, y: largest, xanchor: "right",
          yanchor: "top", showarrow: false, text: "largest class", font: { size: 11, color: FAINT } }])],
    });
  };
  view.show();
  onStep(host, redraw);
  return redraw(stepNow(host, chosen)).then(() => {
    view.plot.on("plotly_click", ({ points: [point] }) =>
      stepsOf(host)?.dispatchEvent(new CustomEvent("ask", { detail: point.x })));
  });
};

const termsFigure = (host, values) => {
  const { wavelength, terms, told } = values;
  const term = picker("Show", () => redraw());
  term.fill(terms.map((one, i) => [String(i), one.words]));
  const shown = () => terms[Number(term.list.value)];
  const first = Number(Object.keys(terms[0].steps)[0]);
  let now = stepNow(host, first);
  // One scale for each loading: later ones are small beside the first.
  const span = (one) => 1.1 * Math.max(1e-9, ...(one.steps[now]?.value ?? [1]).map((v, k) =>
    Math.abs(v ?? 0) + (one.steps[now].sd[k] ?? 0)));
  const home = () => ({ "xaxis.range": [wavelength[0], wavelength.at(-1)], "yaxis.autorange": true,
    "yaxis2.range": [-span(shown()), span(shown())] });
  const view = framed(host, { controls: [el("div", { class: "controls" }, term.box)], height: 380, home,
    title: () => `Latent variable ${now}: ${shown().words}` });
  const grey = (y, name, more) => ({ type: "scatter", mode: "lines", x: wavelength, y, name, hoverinfo: "skip",
    line: { color: "#8c968f", width: 1, ...more } });

  const redraw = () => {
    const one = shown(), step = one.steps[now];
    view.said.textContent = step ? `Latent variable ${now}: ${told[now] ?? one.words}` : `No ${one.words} was kept for ${now}.`;
    const value = step?.value ?? [], sd = step?.sd ?? [];
    const banded = sd.length > 0 && sd.every((v) => v !== null);
    const edge = (sign, more) => ({ type: "scatter", mode: "lines", x: wavelength, yaxis: "y2", hoverinfo: "skip",
      y: value.map((v, k) => v + sign * sd[k]), line: { width: 0, color: "#0072B2" }, showlegend: false, ...more });
    const texts = wavelength.map((w, k) => `${figures(w)} nm<br>${one.words} ${figures(value[k] ?? null, 3)}` +
      (banded ? ` ± ${figures(sd[k], 2)}` : "") + `<br>mean ${escaped(values.quantity)} ${figures(values.mean[k], 3)}`);
    return view.draw([
      grey(values.mean, "mean of the training spectra"),
      grey(values.low, "lowest and highest", { dash: "2px,3px" }),
      { ...grey(values.high, "highest", { dash: "2px,3px" }), showlegend: false },
      ...(banded ? [edge(-1), edge(1, { fill: "tonexty", fillcolor: "rgba(0,114,178,.22)" })] : []),
      { type: "scatter", mode: "lines", x: wavelength, y: value, yaxis: "y2", name: one.words, text: texts,
        line: { color: "#0072B2", width: 2.2 }, hovertemplate: "%{text}<extra></extra>" },
    ], {
      uirevision: `${one.words} ${now}`, hovermode: "x", hoverdistance: -1, margin: { l: 58, r: 58, t: 26, b: 46 },
      xaxis: axis("wavelength (nm)", { range: [wavelength[0], wavelength.at(-1)] }),
      yaxis: axis(escaped(shortened(values.quantity, 34)), { side: "right", showgrid: false, rangemode: "tozero" }),
      yaxis2: axis(`${one.words} (blue line)`, { side: "left", overlaying: "y", tickmode: "auto", range: [-span(one), span(one)] }),
      annotations: [{ xref: "paper", yref: "paper", x: 0, y: 1, xanchor: "left", yanchor: "bottom", showarrow: false,
        text: `latent variable ${now}`, font: { size: 12, color: INK } }],
      shapes: [{ type: "line", xref: "paper", yref: "y2", x0: 0, x1: 1, y0: 0, y1: 0, line: { color: INK, width: 0.8 } }],
    });
  };
  view.show();
  onStep(host, (n) => { now = n; redraw(); });
  return redraw();
};
