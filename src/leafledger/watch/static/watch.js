// Shows what the watch knows, and sends what a person asks. Text goes in as text, never as markup.
"use strict";

(() => {
  const $ = (id) => document.getElementById(id);
  const EVERY_MS = 500;
  const GRADES = {
    good: "\u2713 Good",
    fault: "\u2715 Measure again",
    outlier: "! Look at it",
    unclear: "? Not clear yet",
    unjudged: "\u2026 Not judged yet",
  };
  const ASKS = {
    again: "Why is it measured again? (the reason that was found, if left empty)",
    skip: "Why is the next step not measured?",
    note: "Note beside the last scan",
  };
  let shown = null; // the state on the page
  let asking = null; // {action, scan} while words are typed

  function item(text, className = "") {
    const made = document.createElement("li");
    if (className) made.className = className;
    made.textContent = text;
    return made;
  }

  function fill(list, items) {
    $(list).replaceChildren(...items);
  }

  function button(words, act) {
    const made = document.createElement("button");
    made.type = "button";
    made.textContent = words;
    made.addEventListener("click", act);
    return made;
  }

  function showNext(state) {
    const next = state.next;
    $("next-words").textContent = next ? next.words : "All steps are done";
    const after = state.after_next.length ? ` Then: ${state.after_next.join(", ")}.` : "";
    if (!next) {
      $("next-more").textContent = state.tally.of ? "End the watch in the terminal (q), then run the study." : "";
    } else {
      const again = next.repeats ? `Again, in place of ${next.repeats}. ` : "";
      $("next-more").textContent = `${again}${next.scan}, step ${next.place} of ${next.of}.${after}`;
    }
  }

  function showLast(last) {
    $("last-words").textContent = last ? last.words : "None yet.";
    $("later").textContent = "";
    $("more").hidden = true;
    if (!last) {
      delete $("verdict").dataset.grade;
      $("grade").textContent = $("action").textContent = "";
      return;
    }
    $("verdict").dataset.grade = last.grade;
    $("grade").textContent = GRADES[last.grade] + (last.reason ? `: ${last.reason}` : "");
    $("action").textContent = last.action;
    const parts = [last.scan];
    if (last.note) parts.push(`note: ${last.note}`);
    if (last.not_judged_yet.length) parts.push(`not judged yet: ${last.not_judged_yet.join(", ")}`);
    $("later").textContent = parts.join(" \u00b7 ");
    const sentences = [...last.sentences, ...last.notices];
    $("more").hidden = !sentences.length;
    fill("sentences", sentences.map((text) => item(text)));
  }

  function showTally(state) {
    const t = state.tally;
    const parts = [`${t.done} of ${t.of} steps`, `leaves ${t.leaves} of ${t.leaves_of}`];
    for (const [name, words] of [["fault", "to measure again"], ["outlier", "to look at"], ["unclear", "not clear"], ["skipped", "skipped"], ["repeated", "repeated"]]) {
      if (t[name]) parts.push(`${t[name]} ${words}`);
    }
    $("tally").textContent = parts.join(" \u00b7 ");
    $("white").hidden = !state.white;
    $("white").textContent = state.white ? state.white.words : "";
    $("white").classList.toggle("due", Boolean(state.white && state.white.due));
  }

  function showLists(state) {
    $("attention").hidden = !state.attention.length;
    fill("attention-list", state.attention.map((one) => {
      const row = item(`${one.words} (${one.scan}): ${one.reason}. `);
      if (state.writes) row.append(button("Measure again", () => ask("again", one.scan)));
      return row;
    }));
    $("parked").hidden = !state.parked.length;
    const takable = state.parked.filter((one) => one.can_take);
    fill("parked-list", state.parked.map((one) => {
      const row = item(`${one.file}${one.item ? ` (${one.item})` : ""}: ${one.why}. `);
      if (one.can_take) row.append(button("Take as next step", () => send("take", one.file, "")));
      return row;
    }));
    if (takable.length > 1) {
      const row = document.createElement("li");
      row.append(button(`Take all ${takable.length} in the order saved`, () => send("take", "", "")));
      $("parked-list").append(row);
    }
    const said = [...state.messages].reverse();
    if (state.waiting.length) said.unshift({ text: `Being written: ${state.waiting.join(", ")}`, kind: "note" });
    fill("messages", said.map((one) => item(one.text, one.kind)));
  }

  function showSpectrum(state) {
    const one = state.spectrum;
    $("spectrum").hidden = !one;
    if (!one) return;
    const lines = one.near.map((points) => ({ points, look: null, strong: false, label: "" }));
    lines.push({ points: one.last, look: 0, strong: true, label: "" });
    const room = $("figure").clientWidth || 600;
    $("figure").replaceChildren(Draw.plot({
      lines, band: one.band, places: one.place ? [one.place] : [], y: one.y, zero: one.y === "reflectance",
      width: room, height: room < 500 ? 240 : 330,
      words: `${one.scan} over ${one.others}, ${one.y} against wavelength`,
    }));
    const parts = [`Thick line with circles: ${one.scan}`];
    if (one.near.length) parts.push(`dashed: ${one.others}`);
    if (one.band) parts.push("grey band: the middle 90 % of its kind in this session");
    if (one.place) parts.push(`dotted upright: ${Math.round(one.place)} nm, where it was found`);
    $("legend").textContent = `${parts.join("; ")}.`;
  }

  function show(state) {
    shown = state;
    $("session").textContent = state.session;
    document.title = state.next ? `Next: ${state.next.words}` : "All steps done";
    showNext(state);
    showLast(state.last);
    showTally(state);
    showLists(state);
    showSpectrum(state);
    const scan = Boolean(state.last);
    $("again").disabled = !state.writes || !scan;
    $("note").disabled = !state.writes || !scan;
    $("skip").disabled = !state.writes || !state.next;
    $("undo").disabled = !state.writes || !state.tally.done;
    $("again").classList.toggle("main", scan && state.last.grade === "fault" && state.writes);
  }

  function problems(list) {
    $("problems").replaceChildren(...list.map((one) => {
      const made = document.createElement("p");
      made.className = "problem";
      made.textContent = `Found ${one.found}; expected ${one.expected}. ${one.mend}`;
      return made;
    }));
  }

  async function send(action, words, scan) {
    problems([]);
    try {
      const answer = await fetch("/api/act", {
        method: "POST",
        headers: { "Content-Type": "application/json" },
        body: JSON.stringify({ action, words, scan }),
      });
      const body = await answer.json();
      if (answer.ok) show(body);
      else problems(body.problems);
    } catch {
      $("lost").hidden = false;
    }
  }

  function ask(action, scan) {
    asking = { action, scan };
    $("ask-words").textContent = scan ? `${ASKS[action]} \u2014 ${scan}` : ASKS[action];
    $("words").value = action === "note" && shown && shown.last ? shown.last.note : "";
    $("ask").hidden = false;
    $("words").focus();
  }

  function closeAsk() {
    asking = null;
    $("ask").hidden = true;
  }

  function begin(action) {
    const known = $(action);
    if (known && known.disabled) return;
    if (action === "undo") send("undo", "", "");
    else if (action === "take") send("take", "", "");
    // What was found is the reason: a fault is measured again at one touch.
    else if (action === "again" && shown && shown.last && shown.last.reason) send("again", "", "");
    else ask(action, "");
  }

  for (const one of document.querySelectorAll("[data-action]")) {
    one.addEventListener("click", () => begin(one.dataset.action));
  }
  $("ask").addEventListener("submit", (event) => {
    event.preventDefault();
    const { action, scan } = asking;
    const words = $("words").value;
    closeAsk();
    send(action, words, scan);
  });
  $("cancel").addEventListener("click", closeAsk);
  document.addEventListener("keydown", (event) => {
    if (event.key === "Escape") closeAsk();
    if (event.ctrlKey || event.metaKey || event.altKey || event.target.closest("input")) return;
    const action = { a: "again", s: "skip", n: "note", u: "undo", t: "take" }[event.key.toLowerCase()];
    if (!action) return;
    event.preventDefault();
    begin(action);
  });
  addEventListener("resize", () => shown && showSpectrum(shown));

  async function follow() {
    try {
      const answer = await fetch(`/api/state?version=${shown ? shown.version : ""}`);
      if (answer.ok) {
        const state = await answer.json();
        if (!state.same) show(state);
        $("lost").hidden = true;
      }
    } catch {
      $("lost").hidden = false;
    }
    setTimeout(follow, EVERY_MS);
  }
  follow();
})();
