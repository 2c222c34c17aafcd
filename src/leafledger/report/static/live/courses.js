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
    controls: [el("div", { class: "controls" }, index.box, groupTicks.box, unit.box)], height: narrow() ? 360 : 320, title, zoom: false,
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
      line: { color: look.colour, width: 1, dash: look.dash }, marker: { symbol: look.symbol, color: look.colour, size: 4 },
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

  // The whole index, whatever is switched on: a switch must not move the axis.
  const reach = (one) => {
    const all = one.groups.flatMap(({ units: lines, mean, half }) => [...lines.flat(),
      ...mean.flatMap((m, s) => (m === null ? [] : [m - (half[s] ?? 0), m + (half[s] ?? 0)]))]).filter((v) => v !== null);
    const low = Math.min(...all), high = Math.max(...all), pad = 0.06 * (high - low) || 0.05 * Math.abs(high) || 1;
    return [low - pad, high + pad];
  };

  // Names at the ends of the lines, parted where the lines meet.
  const namesOf = (one, shown, [low, high]) => {
    if (narrow()) return [];
    const ends = shown.map((g) => {
      const s = one.groups[g].mean.findLastIndex((m) => m !== null);
      return s < 0 ? null : { g, x: xOf(g)[s], at: one.groups[g].mean[s] };
    }).filter(Boolean).sort((a, b) => a.at - b.at);
    const least = 0.065 * (high - low);
    ends.forEach((end, i) => { end.y = i ? Math.max(end.at, ends[i - 1].y + least) : end.at; });
    return ends.map(({ g, x, y }) => ({ x, y, xanchor: "left", yanchor: "middle", xshift: 14, showarrow: false,
      text: escaped(shortened(groups[g], 16)), font: { size: 12, color: INK } }));
  };

  const redraw = () => {
    const one = indices[Number(index.list.value)];
    told.textContent = "";
    const shown = [...groups.keys()].filter((g) => groupTicks.chosen.has(g));
    view.said.textContent = `${one.index}: ` + shown.map((g) => `${groups[g]}, n = ${units[g].length}`).join("; ");
    const range = reach(one);
    return view.draw([...shown.flatMap((g) => tracesOf(one, g)), ...followed(one)], {
      annotations: namesOf(one, shown, range),
      xaxis: axis(escaped(values.dated ? values.axis : "session"), { tickvals: positions, fixedrange: touch,
        ticktext: values.dated ? positions.map(String) : sessions.map((s) => escaped(shortened(s, 14))),
        range: [positions[0] - 0.3 * gap, positions.at(-1) + (narrow() ? 0.3 : 0.7) * gap] }),
      yaxis: axis(escaped(shortened(one.index, 30)) + (suffix(one.unit) && ` (${escaped(one.unit)})`), { range }),
    });
  };

  view.show();
  return redraw();
};
