// One index over the sessions: groups with intervals, and every unit under the pointer.
const coursesFigure = (host, values) => {
  const { sessions, positions, groups, looks, units, indices } = values;
  const gap = positions.length > 1 ? Math.min(...positions.slice(1).map((p, i) => p - positions[i])) : 1;
  const change = () => redraw();
  const index = picker("Index", change);
  index.fill(indices.map((one, i) => [String(i), one.index + (suffix(one.unit) && ` (${one.unit})`)]),
    String(values.first));
  const groupTicks = ticks("Groups", groups, groups.keys(), change, looks);
  const unit = picker(values.unit_word, change);
  unit.fill([["", "none"], ...units.flat().map((u) => [`=${u}`, u])], "");
  const told = el("p", { class: "told", "aria-live": "polite" });
  const title = () => `${indices[Number(index.list.value)].index}: ${host.dataset.title}`;
  const view = framed(host, {
    controls: [el("div", { class: "controls" }, index.box, groupTicks.box, unit.box)], height: 400, title, zoom: false,
  });
  view.said.after(told);

  const xOf = (g) => positions.map((p) => p + 0.09 * gap * (g - (groups.length - 1) / 2));
  const bars = ({ mean, half, n }, g, unitOfIndex) => mean.map((m, s) => wrapped(
    `${groups[g]}, ${sessions[s]}: mean ${figures(m)}${suffix(unitOfIndex)}` +
    (half[s] ? `, ${values.bars} ${figures(m - half[s])} to ${figures(m + half[s])}` : "") + `, n = ${n[s]}`));

  const tracesOf = (one, g) => {
    const { units: lines, mean, half } = one.groups[g], look = looks[g], x = xOf(g);
    const name = escaped(shortened(groups[g], 40)), single = sessions.length === 1;
    const texts = lines.flatMap((line, u) => [...line.map((v, s) => wrapped(
      `${values.unit_word} ${units[g][u]}, ${groups[g]}, ${sessions[s]}: ${figures(v)}${suffix(one.unit)}`)), ""]);
    return [{
      type: "scatter", mode: single ? "markers" : "lines+markers", name, showlegend: false, opacity: 0.45,
      ...joined(single ? x.map((p) => p + 0.03) : x, lines, lines.map(() => "")), text: texts,
      line: { color: look.colour, width: 1 }, marker: { color: look.colour, size: 4 },
      hovertemplate: "%{text}<extra></extra>",
    }, {
      type: "scatter", mode: "lines+markers", name, x, y: mean, text: bars(one.groups[g], g, one.unit),
      line: { color: look.colour, width: 2.4, dash: look.dash }, marker: { symbol: look.symbol, size: 10, color: look.colour },
      error_y: { type: "data", array: half.map((h) => h ?? 0), color: look.colour, thickness: 1.6, width: 6 },
      hovertemplate: "%{text}<extra></extra>",
    }];
  };

  const followed = (one) => {
    const wanted = unit.list.value.slice(1), g = unit.list.value ? units.findIndex((of) => of.includes(wanted)) : -1;
    if (g < 0) return [];
    const line = one.groups[g].units[units[g].indexOf(wanted)];
    told.textContent = `${values.unit_word} ${wanted} (${groups[g]}): ` +
      line.map((v, s) => `${sessions[s]} ${figures(v)}${suffix(one.unit)}`).join("; ");
    return [{ type: "scatter", mode: "lines+markers", name: escaped(`${values.unit_word} ${wanted}`), x: xOf(g), y: line,
      line: { color: "#000", width: 2 }, marker: { color: "#000", size: 6 }, hoverinfo: "skip" }];
  };

  const redraw = () => {
    const one = indices[Number(index.list.value)];
    told.textContent = "";
    const shown = [...groups.keys()].filter((g) => groupTicks.chosen.has(g));
    view.said.textContent = `${one.index}: ` + shown.map((g) => `${groups[g]}, n = ${units[g].length}`).join("; ");
    return view.draw([...shown.flatMap((g) => tracesOf(one, g)), ...followed(one)], {
      xaxis: axis(escaped(values.dated ? values.axis : "session"), { tickvals: positions, fixedrange: touch,
        ticktext: values.dated ? positions.map(String) : sessions.map((s) => escaped(shortened(s, 14))),
        range: [positions[0] - 0.3 * gap, positions.at(-1) + 0.3 * gap] }),
      yaxis: axis(escaped(shortened(one.index, 30)) + (suffix(one.unit) && ` (${escaped(one.unit)})`), { autorange: true }),
    });
  };

  view.show();
  return redraw();
};
