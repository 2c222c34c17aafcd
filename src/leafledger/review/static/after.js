// After saving: which stages would run, running them, and the result with and without exclusions.
"use strict";

const After = (() => {
  const { at, make, ask, attempt, say } = Review;
  const WAIT_MS = 700;

  const planned = attempt(async () => {
    at("after").hidden = false;
    at("effects").replaceChildren();
    at("rerun").replaceChildren(make("p", { class: "soft" }, "Looking which stages would run…"));
    const told = await ask("/api/progress");
    if (told.state === "running") { await watch(); return; }
    const { planned: tasks } = await ask("/api/plan");
    if (!tasks.length) {
      at("rerun").replaceChildren(make("p", {}, "The results are up to date: no stage would run."), showButton());
      return;
    }
    const lines = tasks.map((t) => make("li", {}, make("b", {}, t.task), `: ${t.why}`));
    at("rerun").replaceChildren(
      make("p", {}, `The results are those of the last run. A rerun would do, in this order:`),
      make("ol", { class: "stages" }, ...lines),
      make("button", { type: "button", class: "main", click: run }, "Run now"));
  }, at("rerun"));

  const run = attempt(async () => {
    await ask("/api/rerun", {});
    await watch();
  }, at("rerun"));

  async function watch() {
    const bar = make("progress", { max: "1", value: "0", "aria-label": "Share of the stages done" });
    const words = make("p", { role: "status" }, "Starting…");
    at("rerun").replaceChildren(bar, words);
    for (;;) {
      const told = await ask("/api/progress");
      if (told.state !== "running") { await ended(told); return; }
      if (told.planned) {
        bar.max = told.planned;
        bar.value = told.ended.length;
        const now = told.now ? `, now ${told.now}` : "";
        words.textContent = `${told.ended.length} of up to ${told.planned} stages done${now}`;
      }
      await new Promise((go) => { setTimeout(go, WAIT_MS); });
    }
  }

  async function ended(told) {
    if (told.state === "done") {
      say("The run is done.");
      const n = told.ended.length;
      at("rerun").replaceChildren(make("p", {}, `Done: ${n} stage${n === 1 ? "" : "s"} ran: ${told.ended.map((e) => e.task).join(", ")}.`), showButton());
      await Review.fresh();
      return;
    }
    const lines = (told.problems || []).map((p) => make("li", {}, `${p.file}: found ${p.found}; expected ${p.expected}. ${p.mend}`));
    at("rerun").replaceChildren(make("div", { class: "problem" },
      make("b", {}, "The run did not end well."), told.message || "", make("ul", {}, ...lines)),
    make("button", { type: "button", click: planned }, "Look again"));
  }

  function showButton() {
    const words = make("p", { class: "soft" }, "Once you have seen the effect, later decisions carry that remark. Finish the groups first.");
    return make("div", {}, words, make("button", { type: "button", click: show }, "Show the result with and without exclusions"));
  }

  const show = attempt(async () => {
    if (Review.state.drafts.length) { say("Save or undo your open decisions first."); return; }
    const told = await ask("/api/effects", {});
    Review.effectsSeen();
    at("effects").replaceChildren(...withAndWithout(told), ...tested(told.primary), ...leftOut(told.excluded));
  }, at("effects"));

  function withAndWithout(told) {
    if (!told.contrasts.length) {
      return [make("p", {}, "The study names no primary contrast that could be tested, so there is none to show with and without exclusions; results/report.html holds all results.")];
    }
    const rows = told.contrasts.flatMap((c) => [row(c, c.with, "as analysed"), c.without ? row(c, c.without, "with every scan") : null]);
    const heads = ["Index, contrast", "Scans", "Estimate (interval)", "Units", "p", "Conclusion"];
    return [make("h3", {}, "The primary result with and without exclusions"),
      ...told.contrasts.map((c) => make("p", {}, inWords(c))),
      make("div", { class: "scroll", tabindex: "0", role: "region", "aria-label": "With and without exclusions" }, make("table", {},
        make("thead", {}, make("tr", {}, ...heads.map((text) => make("th", { scope: "col" }, text)))),
        make("tbody", {}, ...rows.filter(Boolean)))),
      make("p", { class: "soft" }, told.contrasts.every((c) => !c.without || c.without.verdict === c.with.verdict)
        ? "The conclusion is the same with every scan." : "The conclusion depends on the exclusions: say so when you report it.")];
  }

  // What the exclusions change, as one would say it.
  function inWords({ with: kept, without: every }) {
    const unit = kept.unit && kept.unit !== "1" ? ` ${kept.unit}` : "";
    const said = (found) => `${number(found.estimate)}${unit}` +
      (found.ci_level === null ? "" : ` (${number(found.ci_low)} to ${number(found.ci_high)})`) + `, ${found.verdict_words}`;
    const about = `${kept.index}, ${kept.contrast_words}: as analysed ${said(kept)}`;
    if (!every) return `${about}. It was not computed with every scan.`;
    const moved = kept.estimate === null || every.estimate === null ? ""
      : ` The exclusions move the estimate by ${number(Math.abs(kept.estimate - every.estimate))}${unit}.`;
    const same = kept.verdict === every.verdict ? " The conclusion is the same." : " The conclusion depends on them.";
    return `${about}. With every scan ${said(every)}.${moved}${same}`;
  }

  function tested(rows) {
    const lines = rows.map((r) => make("li", {}, `${r.index}, ${r.contrast_words}: ${r.method_words}, p ${p(r.p_words)}, Holm-adjusted ${r.p_holm_words}${r.size_words ? `; ${r.size_words} ${number(r.effect_size)}` : ""}: ${r.verdict_words}`));
    return lines.length ? [make("h3", {}, "As it stands in effects.csv"), make("ul", {}, ...lines)] : [];
  }

  function row(contrast, found, words) {
    const level = found.ci_level === null ? "" : ` (${number(found.ci_low)} to ${number(found.ci_high)}, ${Math.round(found.ci_level * 100)} %)`;
    const units = found.n_units_reference === null ? `${found.n_units}` : `${found.n_units} and ${found.n_units_reference}`;
    const unit = found.unit && found.unit !== "1" ? ` ${found.unit}` : "";
    const cells = [words, `${number(found.estimate)}${unit}${level}`, units, found.p_words, found.verdict_words + (found.reason ? `; ${found.reason}` : "")];
    return make("tr", {}, make("th", { scope: "row" }, `${contrast.with.index}, ${contrast.with.contrast_words}`), ...cells.map((text) => make("td", {}, text)));
  }

  const p = (words) => (words.startsWith("<") ? words : `= ${words}`);

  function number(value) {
    if (value === null) return "none";
    const size = Math.abs(value);
    return size >= 1000 || (size < 1e-4 && size > 0) ? Number(value.toPrecision(3)).toString() : value.toPrecision(3);
  }

  function leftOut(rows) {
    const title = make("h3", {}, "What was left out or decided");
    if (!rows.length) return [title, make("p", {}, "Nothing.")];
    const lines = rows.map((r) => make("li", {}, make("b", {}, `${r.scan}: ${r.applied === "exclude" ? "left out" : "kept"}`), ` (${r.rule}) ${r.reason}${r.by ? `, ${r.by}` : ""}`));
    return [title, make("ul", {}, ...lines)];
  }

  return { planned };
})();
