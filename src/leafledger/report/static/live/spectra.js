// Every leaf scan: groups, sessions and scans left out on and off, one plant alone, one scan told.
const spectrumOf = ([decimals, ...steps]) => {
  const scale = 10 ** -decimals;
  let sum = 0;
  return steps.map((step) => (step === null ? null : (sum += step) * scale));
};

const spread = (places, most) => {
  if (places.length <= most) return places;
  return Array.from({ length: most }, (_, i) => places[Math.floor((i * places.length) / most)]);
};

const spectraFigure = (host, values) => {
  const { scans, groups, sessions, wavelength, looks, trusted } = values;
  const n = scans.scan.length;
  const lines = values.reflectance.map(spectrumOf);
  const means = values.means.map((one) => ({ ...one, mean: spectrumOf(one.mean), sd: one.sd && spectrumOf(one.sd) }));
  const all = [...Array(n).keys()];
  const unitOf = (i) => scans.unit[i];
  const change = () => redraw();
  const last = sessions.length - 1;
  const groupTicks = ticks("Groups", groups, groups.keys(), change, looks);
  const sessionTicks = ticks("Sessions", sessions, n <= 60 ? sessions.keys() : [last], change);
  const single = ticks("Show", ["single scans"], [], change);
  const kinds = ticks("Scans", ["accepted", "left out (dashed, open symbols)"], [0, 1], change);
  const unit = picker(values.units_known ? values.unit_word : "unit", change);
  unit.fill([["", "all"], ...[...new Set(scans.unit)].map((u) => [`=${u}`, u])], "");
  const scan = picker("scan", change);
  const told = el("p", { class: "told", "aria-live": "polite" });
  const ofScans = [kinds.box, ...(values.units_known ? [unit.box] : []), scan.box];
  const controls = [el("div", { class: "controls" }, groupTicks.box,
    ...(sessions.length > 1 ? [sessionTicks.box] : []), single.box, ...ofScans)];

  const belongs = (i) => {
    const unitNamed = values.units_known ? `${values.unit_word} ${scans.unit[i]}, leaf ${scans.leaf[i]}` : "";
    return [unitNamed, sessions[scans.session[i]], groups[scans.group[i]]].filter(Boolean).join(", ");
  };
  const facts = (i) => [
    `scan ${scans.scan[i]}`, belongs(i), scans.file[i], `sha256 ${scans.digest[i]}…`,
    scans.left_out[i] ? `left out: ${scans.left_out[i]}` : "accepted",
  ];
  const hover = all.map((i) => facts(i).map((fact) => wrapped(fact)).join("<br>"));

  const heights = () => {
    const from = wavelength.findIndex((w) => w >= trusted[0]);
    const to = wavelength.findLastIndex((w) => w <= trusted[1]);
    const kept = all.filter((i) => !scans.left_out[i]);
    let [low, high] = [0, 0];
    for (const i of kept.length ? kept : all) {
      for (let k = Math.max(0, from); k <= to; k += 1) {
        const value = lines[i][k];
        if (value !== null && value < low) low = value;
        if (value !== null && value > high) high = value;
      }
    }
    return [low - 0.03 * (high - low), high + 0.06 * (high - low) || 1];
  };
  const rangeX = [wavelength[0], wavelength.at(-1)], rangeY = heights();
  const view = framed(host, {
    controls, height: 470,
    title: () => `${single.chosen.size ? "Leaf scans" : "Mean spectra"} of ${sessions.filter((_, s) => sessionTicks.chosen.has(s)).join(", ")}`,
    home: () => ({ "xaxis.range": [...rangeX], "yaxis.range": [...rangeY] }),
  });
  view.said.after(told);

  const switchedOn = () => all.filter((i) =>
    groupTicks.chosen.has(scans.group[i]) && sessionTicks.chosen.has(scans.session[i]) &&
    kinds.chosen.has(scans.left_out[i] ? 1 : 0) && (!unit.list.value || unit.list.value === `=${unitOf(i)}`));

  const thinned = (on) => {
    const out = spread(on.filter((i) => scans.left_out[i]), values.lines_at_most);
    const kept = spread(on.filter((i) => !scans.left_out[i]), values.lines_at_most - out.length);
    return [...kept, ...out].sort((a, b) => a - b);
  };

  // Two symbols a line, spread along the axis (golden section) so that they seldom meet.
  const marksOf = (places) => {
    const out = { x: [], y: [] };
    places.forEach((i, row) => {
      for (let k = 0; k < 2; k += 1) {
        const at = Math.floor(((k + ((row * 0.618) % 1)) / 2) * wavelength.length);
        out.x.push(wavelength[at]);
        out.y.push(lines[i][at]);
      }
    });
    return out;
  };

  const tracesOf = (drawn) => groups.flatMap((group, g) => [0, 1].flatMap((out) => {
    const places = drawn.filter((i) => scans.group[i] === g && Boolean(scans.left_out[i]) === Boolean(out));
    const look = looks[g], name = escaped(shortened(group, 40)) + (out ? ", left out" : "");
    const shown = places.length > 0;
    return [{
      type: "scatter", mode: "lines", name, showlegend: false, visible: shown, meta: places,
      ...joined(wavelength, places.map((i) => lines[i]), places.map((i) => hover[i])),
      line: { color: look.colour, width: out ? 1.5 : 1, dash: out ? "6px,3px" : "solid" },
      opacity: out ? 0.95 : 0.5, hovertemplate: "%{text}<br>%{x} nm: %{y:.4f}<extra></extra>",
    }, {
      type: "scatter", mode: "markers", name, showlegend: shown, visible: shown, hoverinfo: "skip",
      ...marksOf(places),
      marker: { symbol: look.symbol + (out ? "-open" : ""), color: look.colour, size: out ? 8 : 5 },
    }];
  }));

  // Means with a band of one standard deviation; the session stands at the end of its line.
  const meanTraces = () => means.filter((m) => groupTicks.chosen.has(m.group) && sessionTicks.chosen.has(m.session))
    .flatMap((m) => {
      const look = looks[m.group], name = escaped(`${shortened(groups[m.group], 30)}, ${sessions[m.session]}`);
      const edge = (sign, more) => ({ type: "scatter", mode: "lines", x: wavelength, hoverinfo: "skip", showlegend: false,
        y: m.mean.map((v, k) => (v === null || m.sd[k] === null ? null : v + sign * m.sd[k])), line: { width: 0, color: look.colour }, ...more });
      const each = Math.max(1, Math.floor(wavelength.length / 10)), offset = Math.floor((m.session * each) / sessions.length);
      const marked = wavelength.map((_, k) => (k % each === offset ? k : -1)).filter((k) => k >= 0);
      return [...(m.sd ? [edge(-1), edge(1, { fill: "tonexty", fillcolor: `${look.colour}2e` })] : []),
        { type: "scatter", mode: "lines", name, x: wavelength, y: m.mean, showlegend: false,
          line: { color: look.colour, width: 2, dash: look.dash },
          text: wavelength.map((_, k) => wrapped(`${groups[m.group]}, ${sessions[m.session]}: mean ${figures(m.mean[k])}` +
            (m.sd ? ` ± ${figures(m.sd[k], 2)}` : "") + `, n = ${m.n_units} (${m.n_scans} scans)`)),
          hovertemplate: "%{text}<br>%{x} nm<extra></extra>" },
        { type: "scatter", mode: "markers", name, showlegend: true, hoverinfo: "skip", x: marked.map((k) => wavelength[k]),
          y: marked.map((k) => m.mean[k]), marker: { symbol: look.symbol, color: look.colour, size: 7 } }];
    });

  const highlighted = (i) => (i === null ? [] : [{
    type: "scatter", mode: "lines", name: escaped(scans.scan[i]), showlegend: true, x: wavelength, y: lines[i],
    text: wavelength.map(() => hover[i]), line: { color: "#000", width: 3 },
    hovertemplate: "%{text}<br>%{x} nm: %{y:.4f}<extra></extra>",
  }]);

  const meansSaid = () => {
    const on = means.filter((m) => groupTicks.chosen.has(m.group) && sessionTicks.chosen.has(m.session));
    view.said.textContent = on.length
      ? `Mean with SD: ${on.map((m) => `${groups[m.group]} ${sessions[m.session]}, n = ${m.n_units}`).join("; ")}.`
      : "No group and session is switched on.";
    told.textContent = "";
  };

  const redraw = () => {
    const scansToo = single.chosen.size > 0;
    ofScans.forEach((box) => { box.hidden = !scansToo; });
    const on = scansToo ? switchedOn() : [], drawn = thinned(on);
    if (!scansToo) scan.list.value = "";
    scan.fill([["", "none"], ...on.map((i) => [String(i), scans.scan[i]])]);
    const chosen = scan.list.value === "" ? null : Number(scan.list.value);
    const out = drawn.filter((i) => scans.left_out[i]).length;
    view.said.textContent = `Drawn: ${drawn.length} scans (${drawn.length - out} accepted, ${out} left out)` +
      (on.length > drawn.length ? ` of ${on.length} switched on` : "") + `; the study has ${values.n_scans}` +
      (n < values.n_scans ? `, of which this page holds ${n}.` : ".");
    if (!scansToo) meansSaid();
    else told.textContent = chosen === null ? "Choose a scan, or click a line, to read where it comes from."
      : facts(chosen).join("; ");
    return view.draw(scansToo ? [...tracesOf(drawn), ...highlighted(chosen)] : meanTraces(), {
      uirevision: "kept",
      xaxis: axis("wavelength (nm)", { range: [...rangeX] }),
      yaxis: axis("reflectance", { range: [...rangeY] }),
      shapes: [{ type: "rect", layer: "below", xref: "x", yref: "paper", x0: trusted[0], x1: trusted[1],
        y0: 0, y1: 1, fillcolor: TINT, opacity: 0.6, line: { width: 0 } }],
      annotations: [{ xref: "paper", yref: "paper", x: 0, y: 1, xanchor: "left", yanchor: "bottom", showarrow: false,
        text: `shaded: trusted range, ${trusted[0]} to ${trusted[1]} nm`, font: { size: 11, color: FAINT } }],
    });
  };

  view.show();
  return redraw().then(() => {
    view.plot.on("plotly_click", ({ points: [point] }) => {
      if (!point.data.meta) return;
      scan.list.value = String(point.data.meta[Math.floor(point.pointNumber / (wavelength.length + 1))]);
      redraw();
    });
  });
};
