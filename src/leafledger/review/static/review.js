// The review: which group is looked at, what is decided about it, and saving it.
// All text of the study is set as text content, never as markup.
"use strict";

const Review = (() => {
  const at = (id) => document.getElementById(id);
  const state = { study: null, view: null, key: null, chosen: 0, drafts: [], heights: null, seen: new Set(), saves: [], saving: false, loading: false, ignoring: false };
  let wanted = 0;

  function make(name, attributes = {}, ...inside) {
    const made = document.createElement(name);
    for (const [key, value] of Object.entries(attributes)) {
      if (key === "click") made.addEventListener("click", value);
      else if (value === true) made.setAttribute(key, "");
      else if (value !== false && value !== null) made.setAttribute(key, value);
    }
    made.append(...inside.filter((part) => part !== null && part !== ""));
    return made;
  }

  const SHOWN_MS = 7000;
  let clearing = 0;

  function say(text) {
    at("status").textContent = text;
    clearTimeout(clearing);
    clearing = setTimeout(() => { at("status").textContent = ""; }, SHOWN_MS);
  }

  // --- asking the server -----------------------------------------------------------------------

  async function ask(path, body) {
    const how = body === undefined ? {} : {
      method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(body),
    };
    let answer;
    try {
      answer = await fetch(path, how);
    } catch {
      throw new Problems([{ file: "", found: "no answer", expected: "the review at work", mend: "Start leafledger review again; decisions that are not saved stay on this page meanwhile." }]);
    }
    if (answer.ok) return answer.json();
    if ((answer.headers.get("Content-Type") || "").startsWith("application/json")) throw new Problems((await answer.json()).problems);
    const words = answer.status === 403 ? (await answer.text()).trim() : `an answer ${answer.status}`;
    throw new Problems([{ file: "", found: words, expected: "an answer", mend: "Open the address that the terminal shows." }]);
  }

  class Problems extends Error {
    constructor(problems) { super("problems"); this.problems = problems; }
  }

  function tell(error, place = at("problems")) {
    if (!(error instanceof Problems)) throw error;
    place.replaceChildren(...error.problems.map((p) => make("div", { class: "problem" },
      make("b", {}, [p.file, p.row ? `row ${p.row}` : "", p.column || ""].filter(Boolean).join(", ") || "Not done"),
      `Found ${p.found}; expected ${p.expected}. ${p.mend}`)));
    place.scrollIntoView({ block: "nearest" });
  }

  const attempt = (work, place) => async (...given) => {
    try { await work(...given); } catch (error) { tell(error, place); }
  };

  // --- the list of groups ----------------------------------------------------------------------

  const keyOf = (kind, group) => `${kind}/${group.session}/${group.name}`;
  const calls = (group) => group.flagged.length > 0 || group.changed.length > 0;
  const flaggedGroups = () => everything().filter((entry) => calls(entry.group));
  const everything = () => [
    ...state.study.references.map((group) => ({ kind: "references", group })),
    ...state.study.groups.map((group) => ({ kind: "leaves", group })),
  ];
  const listed = () => (at("flagged-only").checked ? flaggedGroups() : everything());

  async function open() {
    state.study = await ask("/api/study");
    const study = state.study;
    document.title = study.title ? `Review: ${study.title}` : "Review of scans";
    at("title").textContent = study.title || "Scans to look at";
    at("kind").textContent = study.title ? "Review of scans" : "Review of scans · the title is hidden: it names a treatment";
    if (!at("by").value) at("by").value = remembered("by") || study.reviewer;
    state.seen = new Set(JSON.parse(remembered("seen") || "[]"));
    state.saves = JSON.parse(remembered("saves") || "[]");
    notices();
    at("flagged-only").checked = flaggedGroups().length > 0 && study.groups.length > 40;
    const named = everything().find((e) => `#${encodeURI(keyOf(e.kind, e.group))}` === location.hash);
    list();
    drafts();
    if (study.effects_seen) effectsSeen();
    const first = named || listed()[0];
    if (first) await go(first, false);
  }

  function notices() {
    at("notices").replaceChildren(...state.study.notices.map((text) => make("p", { class: "notice" }, text)));
  }

  const remembered = (name) => sessionStorage.getItem(`review-${name}`);
  const remember = (name, value) => sessionStorage.setItem(`review-${name}`, value);

  function effectsSeen() {
    state.study.effects_seen = true;
    drafts();
    const strip = at("blind");
    strip.classList.add("seen");
    strip.replaceChildren(make("b", {}, "The effect has been shown."), " What is decided from now on carries that remark in its reason.");
  }

  function list() {
    const shown = listed();
    for (const [kind, id] of [["references", "references"], ["leaves", "groups"]]) {
      at(id).replaceChildren(...shown.filter((e) => e.kind === kind).map(line));
    }
    at("nothing").hidden = shown.length > 0;
    const flagged = flaggedGroups();
    const seen = flagged.filter((e) => state.seen.has(keyOf(e.kind, e.group))).length;
    at("progress").max = Math.max(flagged.length, 1);
    at("progress").value = flagged.length ? seen : 1;
    at("progress-words").textContent = flagged.length ? `${seen} of ${flagged.length} flagged groups seen` : "No group is flagged";
  }

  function line(entry) {
    const { kind, group } = entry;
    const key = keyOf(kind, group);
    const name = kind === "references" ? plural(group.name) : group.name;
    const drafted = state.drafts.some((d) => d.key === key);
    const marks = make("span", { class: "marks" },
      group.flagged.length ? make("span", { class: "flag" }, "▲ flagged") : "",
      group.changed.length ? make("span", { class: "flag" }, " ▲ changed") : "",
      group.decided.length || drafted ? " decided" : "",
      state.seen.has(key) ? " seen" : "");
    const button = make("button", { type: "button", click: () => act(entry), "aria-current": key === state.key ? "true" : false },
      make("span", {}, `${group.session} · ${name}`), marks);
    return make("li", {}, button);
  }

  const plural = (role) => ({ dark: "darks", white: "whites", check: "check tile" }[role] || role);
  const act = attempt((entry) => go(entry, true));

  function loading(is) {
    state.loading = is;
    at("look").setAttribute("aria-busy", String(is));
  }

  async function go(entry, focus) {
    const { kind, group } = entry;
    if (keyOf(kind, group) !== state.key && typing()) return;
    const turn = (wanted += 1);
    loading(true);
    let view;
    try {
      view = await ask(`/api/${kind}/${encodeURIComponent(group.session)}/${encodeURIComponent(group.name)}`);
    } finally {
      if (turn === wanted) loading(false);
    }
    if (turn !== wanted) return; // another group was asked for meanwhile, or a reason is being typed
    state.view = { ...view, kind, group };
    state.key = keyOf(kind, group);
    state.chosen = Math.max(view.scans.findIndex((scan) => scan.suggested || scan.changed), 0);
    if (calls(group)) state.seen.add(state.key);
    remember("seen", JSON.stringify([...state.seen]));
    history.replaceState(null, "", `#${state.key}`);
    at("problems").replaceChildren();
    list();
    show();
    bringIntoList();
    if (focus) at("look").focus();
  }

  // Scrolls the list alone: on a phone the page must not jump away from the scans.
  function bringIntoList() {
    const nav = document.querySelector("nav");
    const line = nav.querySelector("[aria-current]");
    if (!line) return;
    const [frame, own] = [nav.getBoundingClientRect(), line.getBoundingClientRect()];
    if (own.top < frame.top) nav.scrollTop -= frame.top - own.top + 8;
    if (own.bottom > frame.bottom) nav.scrollTop += own.bottom - frame.bottom + 8;
  }

  const step = attempt(async (by) => {
    const shown = listed();
    const here = shown.findIndex((e) => keyOf(e.kind, e.group) === state.key);
    const next = shown[here === -1 ? 0 : here + by];
    if (next) await go(next, false);
    else say(by > 0 ? "This is the last group." : "This is the first group.");
  });

  // What is flagged and neither decided nor drafted; a scan that changed since is to be decided anew.
  function undecided({ kind, group }) {
    if (kind !== "leaves") return [];
    const drafted = new Set(state.drafts.map((d) => d.scan)), decided = new Set(group.decided);
    const open = group.flagged.filter((scan) => !decided.has(scan));
    return [...new Set([...open, ...group.changed])].filter((scan) => !drafted.has(scan));
  }

  const nextUndecided = attempt(async () => {
    const all = everything();
    const here = all.findIndex((e) => keyOf(e.kind, e.group) === state.key);
    const next = [...all.slice(here + 1), ...all.slice(0, here + 1)].find((e) => undecided(e).length);
    if (!next) { say("Every flagged scan is decided."); return; }
    await go(next, false);
    choose(Math.max(state.view.scans.findIndex((scan) => scan.scan === undecided(next)[0]), 0));
    at("look").scrollIntoView({ block: "start" });
  });

  // --- one group -------------------------------------------------------------------------------

  function show() {
    const { view } = state;
    const { group, kind } = view;
    const shown = listed();
    const place = shown.findIndex((e) => keyOf(e.kind, e.group) === state.key);
    at("group-title").textContent = kind === "references" ? `${group.session} · ${plural(group.name)}` : `${group.session} · ${state.study.unit} ${group.name}`;
    at("group-place").textContent = [place >= 0 ? `group ${place + 1} of ${shown.length}` : "", `${group.n_scans} scan${group.n_scans === 1 ? "" : "s"}`].filter(Boolean).join(", ");
    at("previous").disabled = place <= 0;
    at("next").disabled = place === shown.length - 1;
    figures();
    scans();
  }

  const LEAST_DEPARTURE = 0.05; // reflectance: what is less departs little, and is drawn so
  const lookOf = (k) => (state.view.kind === "leaves" || state.view.scans.length <= Draw.LOOKS ? k % Draw.LOOKS : null);
  const short = (scan, k) => (state.view.kind === "leaves" ? String(k + 1) : "");

  // One scale for all groups, so that heights compare: what most leaves of a session reach, and
  // more than half again above it. It grows with a brighter session, never with one odd scan.
  const ABOVE = 1.6;
  function reach(view) {
    const inside = (points) => points.filter((p) => p[0] >= view.range[0] && p[0] <= view.range[1]).map((p) => p[1]);
    const [low, high] = state.heights || [0, 0];
    return [Math.min(low, ...inside(view.context.low)), Math.max(high, ABOVE * Math.max(0, ...inside(view.context.high)))];
  }

  function figures() {
    const { view } = state;
    const width = at("figures").clientWidth;
    const leaves = view.kind === "leaves";
    const lines = view.scans.map((scan, k) => ({
      points: scan.line,
      look: scan.suggested && !leaves && lookOf(k) === null ? 1 : lookOf(k),
      strong: scan.suggested,
      label: scan.suggested ? `${k + 1} ▲` : short(scan, k),
    }));
    const places = [...new Set(view.scans.flatMap((s) => s.said.map((said) => said.wavelength_nm)))].filter((v) => v !== null);
    const marked = view.scans.map((s, k) => (s.suggested ? k + 1 : 0)).filter(Boolean);
    if (leaves) state.heights = reach(view);
    const words = `${at("group-title").textContent}: ${view.quantity} of ${view.scans.length} scans against wavelength; ${marked.length ? `flagged: scan ${marked.join(", ")}` : "none flagged"}.`;
    const main = Draw.plot({ lines, places, width, words, height: width < 520 ? 260 : 340, y: leaves ? "reflectance" : "counts as recorded", range: view.range, scale: leaves ? view.range : null, heights: leaves ? state.heights : null, zero: leaves, band: view.context });
    const caption = leaves
      ? `Numbers at the line ends are those of the list. Grey: the middle 90 % of all ${view.context.n_scans} leaf scans of the session, whatever their treatment, and their median. Tinted: outside the trusted range. One scale for all groups: what runs off it is cut.`
      : "As the instrument gave them. Flagged ones are thick and numbered as in the list.";
    const flagWords = places.length ? " Dotted upright: where a check points." : "";
    const parts = [make("figure", {}, main, make("figcaption", {}, caption + flagWords))];
    if (view.scans.some((s) => s.departure.length)) {
      const away = lines.map((l, k) => ({ ...l, points: view.scans[k].departure }));
      const plot = Draw.plot({ lines: away, places, width, height: 180, y: leaves ? "less the median of the others" : "counts less the median of the sound ones of the same integration time", range: view.range, scale: leaves ? view.range : null, least: leaves ? LEAST_DEPARTURE : 0, words: "The same scans, each less the median of the others: what departs stands out." });
      parts.push(make("figure", {}, plot));
    }
    at("figures").replaceChildren(...parts);
  }

  // The buttons of the chosen scan, above the figures: no scrolling before a decision.
  function decideBar() {
    const { view } = state;
    at("decide").hidden = view.kind !== "leaves" || !view.scans.length;
    if (at("decide").hidden) return;
    const scan = view.scans[state.chosen];
    const draft = state.drafts.find((d) => d.scan === scan.scan);
    const stands = draft ? `${draft.action}, not saved yet` : scan.decision ? (scan.decision.action === "keep" ? "kept" : "excluded") : "not decided";
    const rules = scan.said.filter((said) => said.severity !== "notice").map((said) => said.rule);
    const held = document.activeElement?.dataset.bar;
    at("decide").replaceChildren(
      make("p", { class: "which" }, make("b", {}, `${state.chosen + 1}. ${scan.scan}`), ` · ${rules.length ? rules.join(", ") : "not flagged"} · ${stands}`),
      ...["exclude", "keep"].map((action) => make("button", { type: "button", "data-bar": action, "aria-label": `${action} the chosen scan ${scan.scan}`, click: () => reason(action) }, action === "exclude" ? "Exclude…" : "Keep…")));
    if (held) at("decide").querySelector(`[data-bar=${held}]`)?.focus();
  }

  function scans() {
    const { view } = state;
    decideBar();
    const entries = view.scans.map((scan, k) => ({ scan, k }));
    const shown = view.kind === "leaves" ? entries : entries.filter(({ scan }) => scan.said.length);
    const kept = openForm();
    at("scans").replaceChildren(...shown.map(({ scan, k }) => card(scan, k)));
    if (kept) putBack(kept, shown);
    const more = [];
    if (view.kind === "references") {
      const quiet = entries.length - shown.length;
      if (quiet) more.push(`${quiet} reference${quiet === 1 ? "" : "s"} about which no check said anything ${quiet === 1 ? "is" : "are"} drawn, not listed.`);
      if (view.n_not_drawn) more.push(`${view.n_not_drawn} of them are left out of the drawing.`);
      more.push("A reference is left out by mending the scan sheet, not by a decision.");
    }
    at("more").hidden = !more.length;
    at("more").textContent = more.join(" ");
  }

  // The picture beside a scan; one that cannot be shown gives the reason in its place.
  function photo(scan) {
    const address = `/api/photo/${encodeURIComponent(scan)}`;
    const frame = make("p", { class: "photo" });
    const picture = make("img", { src: address, alt: `Photograph beside scan ${scan}`, loading: "lazy" });
    picture.addEventListener("error", async () => {
      let why = "it cannot be read";
      try {
        const answer = await fetch(address);
        const { problems } = await answer.json();
        if (problems?.length) why = `${problems[0].file}: ${problems[0].found}. ${problems[0].mend}`;
      } catch { /* the server has ended, or gave no reason */ }
      frame.replaceChildren(`The photograph is not shown: ${why}`);
    });
    frame.append(picture);
    return frame;
  }

  function card(scan, k) {
    const leaves = state.view.kind === "leaves";
    const look = lookOf(k);
    const draft = state.drafts.find((d) => d.scan === scan.scan);
    const top = make("div", { class: "top" },
      look === null ? "" : Draw.swatch(look, scan.suggested),
      make("h3", {}, `${k + 1}. ${scan.scan}`),
      ...scan.said.map((said) => make("span", { class: `badge ${said.severity}` }, `${said.severity === "notice" ? "" : "▲ "}${said.rule} (${said.severity})`)),
      scan.accepted === false ? make("span", { class: "badge" }, "left out of the last run") : "");
    const facts = [scan.leaf && `leaf ${scan.leaf}`, scan.replicate && `replicate ${scan.replicate}`, scan.time?.replace("T", " "), scan.integration_ms && `${scan.integration_ms} ms`, scan.file, scan.item, scan.note && `note: ${scan.note}`];
    const parts = [top, make("p", { class: "where" }, facts.filter(Boolean).join(" · "))];
    if (scan.photo) parts.push(photo(scan.scan));
    const heard = scan.said.map((said) => make("li", {}, said.severity === "notice" ? "" : make("b", {}, "Suggested to leave out: "), said.sentence));
    if (heard.length) parts.push(make("ul", { class: "said" }, ...heard));
    if (scan.decision) parts.push(make("p", {}, make("span", { class: "badge decided" }, scan.decision.action === "keep" ? "kept" : "excluded"), ` by ${scan.decision.by}${scan.decision.when ? `, ${scan.decision.when.replace("T", " ")}` : ""}: ${scan.decision.reason}`));
    if (scan.changed) parts.push(make("p", { class: "changed" }, make("b", {}, "▲ Look again: "), "the scan has changed since this decision was taken. Keep or exclude it anew, or mend the file."));
    if (draft) parts.push(make("p", {}, make("span", { class: "badge decided" }, `${draft.action}, not saved yet`), ` ${draft.reason}`));
    if (leaves) parts.push(make("div", { class: "actions" }, ...["exclude", "keep"].map((action) => make("button", { type: "button", "data-action": action, "aria-label": `${action} ${scan.scan}`, click: () => { if (!typing()) { choose(k); reason(action); } } }, action === "exclude" ? "Exclude…" : "Keep…"))));
    return make("li", { class: `scan ${leaves && k === state.chosen ? "chosen" : ""}`, id: `scan-${k}` }, ...parts);
  }

  function choose(k) {
    if (state.view.kind !== "leaves" || k >= state.view.scans.length) return;
    state.chosen = k;
    scans();
    at(`scan-${k}`).scrollIntoView({ block: "nearest" });
    say(`${state.view.scans[k].scan} is chosen.`);
  }

  // --- deciding --------------------------------------------------------------------------------

  // The form that asks for a reason, with what is typed in it; it outlives every drawing of the group.
  function openForm() {
    const form = document.querySelector("#scans .reason");
    if (!form) return null;
    const input = form.querySelector("input");
    return { form, input, held: form.contains(document.activeElement), from: input.selectionStart, to: input.selectionEnd };
  }

  function putBack({ form, input, held, from, to }, shown) {
    const there = shown.find(({ scan }) => scan.scan === form.dataset.scan);
    if (!there) return;
    at(`scan-${there.k}`).append(form);
    if (!held) return;
    input.focus();
    input.setSelectionRange(from, to);
  }

  // Whether a reason is being typed; an empty form is closed.
  function typing() {
    const open = openForm();
    if (!open) return false;
    if (!open.input.value.trim()) { open.form.remove(); return false; }
    say(`First take or cancel the reason for ${open.form.dataset.scan}.`);
    open.input.focus();
    return true;
  }

  function reason(action) {
    if (state.view.kind !== "leaves") { say("References are shown, not decided."); return; }
    if (typing()) return;
    if (state.loading) { wanted += 1; loading(false); } // the group shown stays
    const scan = state.view.scans[state.chosen];
    const box = at(`scan-${state.chosen}`);
    const input = make("input", { id: "reason", type: "text", maxlength: "500", autocomplete: "off", required: true });
    const close = () => {
      const card = form.closest(".scan");
      form.remove();
      card.querySelector(`[data-action=${action}]`).focus();
    };
    const take = () => decide(scan, action, input);
    const form = make("div", { class: "reason", role: "group", "data-scan": scan.scan, "aria-label": `${action} ${scan.scan}` },
      make("label", { for: "reason" }, `Why ${action} ${scan.scan}?`), input,
      make("div", { class: "actions" },
        make("button", { type: "button", class: "main", click: take }, action === "exclude" ? "Exclude" : "Keep"),
        make("button", { type: "button", click: close }, "Cancel")));
    form.addEventListener("keydown", (event) => {
      if (event.key === "Enter" && event.target === input) { event.preventDefault(); take(); }
      if (event.key === "Escape") close();
    });
    box.append(form);
    input.focus();
  }

  function decide(scan, action, input) {
    const words = input.value.trim();
    input.toggleAttribute("aria-invalid", false);
    if (!words) {
      input.setAttribute("aria-invalid", "true");
      say("A reason is needed: it is what defends the decision later.");
      input.focus();
      return;
    }
    input.closest(".reason").remove();
    state.drafts = state.drafts.filter((d) => d.scan !== scan.scan);
    state.drafts.push({ scan: scan.scan, action, reason: words, seen: scan.decision, scan_sha256: scan.scan_sha256, key: state.key });
    say(`${scan.scan}: ${action}, not saved yet.`);
    const k = state.view.scans.findIndex((one) => one.scan === scan.scan);
    scans();
    list();
    drafts();
    at(`scan-${k}`)?.querySelector("button")?.focus();
  }

  function drafts() {
    at("drafts").replaceChildren(...state.drafts.map((d) => make("li", {}, make("b", {}, `${d.action} ${d.scan}`), `: ${d.reason}`)));
    at("ledger").classList.toggle("open", state.drafts.length > 0);
    at("no-drafts").hidden = state.drafts.length > 0;
    at("save").disabled = !state.drafts.length;
    at("save").textContent = state.drafts.length ? `Save ${state.drafts.length} in decisions.csv` : "Save";
    const saved = state.saves.length > 0 && !state.study.effects_seen;
    at("undo").disabled = !state.drafts.length && !saved;
    at("undo").textContent = state.drafts.length || !saved ? "Undo" : "Take the last save back";
  }

  const undo = attempt(async () => {
    if (state.drafts.length) {
      const gone = state.drafts.pop();
      say(`${gone.scan}: decision undone.`);
    } else if (state.saves.length && !state.study.effects_seen) {
      const told = await ask("/api/undo", { save: state.saves[state.saves.length - 1] });
      state.saves.pop();
      remember("saves", JSON.stringify(state.saves));
      say(`${told.taken_back} saved decision${told.taken_back === 1 ? "" : "s"} taken back.`);
      await fresh();
      After.planned();
    } else say("Nothing to undo.");
    scans();
    list();
    drafts();
  });

  const save = attempt(async () => {
    const name = at("by");
    name.toggleAttribute("aria-invalid", false);
    at("problems").replaceChildren();
    if (state.saving) return;
    if (!state.drafts.length) { say("Nothing to save."); return; }
    if (!name.value.trim()) {
      name.setAttribute("aria-invalid", "true");
      say("Your name is needed: it stands beside every decision.");
      name.focus();
      return;
    }
    remember("by", name.value);
    at("save").disabled = true;
    state.saving = true;
    let told;
    try {
      const sent = state.drafts.map(({ key, ...draft }) => draft);
      told = await ask("/api/decisions", { by: name.value, decisions: sent });
      kept(told);
    } finally {
      state.saving = false;
      drafts();
    }
    await fresh();
    if (!told.save) return;
    at("after").hidden = false;
    if (document.activeElement === document.body) at("after-title").focus();
    await After.planned();
  });

  // What another reviewer decided meanwhile stays a draft here, to be looked at again.
  function kept(told) {
    if (told.save) {
      state.saves.push(told.save);
      remember("saves", JSON.stringify(state.saves));
    }
    const again = new Map(told.conflicts.map((c) => [c.scan, c.standing]));
    state.drafts = state.drafts.filter((d) => again.has(d.scan)).map((d) => ({ ...d, seen: again.get(d.scan) }));
    const n = told.written.length;
    say(n ? `${n} decision${n === 1 ? "" : "s"} saved in decisions.csv.` : "Nothing was saved.");
    at("problems").replaceChildren(...told.conflicts.map(({ scan, standing }) => make("div", { class: "problem" },
      make("b", {}, `${scan}: look again`),
      standing ? `${standing.by} decided meanwhile: ${standing.action} (${standing.reason}). ` : "A decision was taken back meanwhile. ",
      "Yours is not saved. Undo it, or save again: both rows then stay in the file and yours, the later, holds.")));
  }

  // Reads the study and the group again, keeping the place.
  async function fresh() {
    state.study = await ask("/api/study");
    const here = everything().find((e) => keyOf(e.kind, e.group) === state.key);
    const chosen = state.chosen;
    notices();
    if (here) await goBack(here, chosen);
    drafts();
  }

  async function goBack(entry, chosen) {
    const problems = [...at("problems").childNodes];
    await go(entry, false);
    at("problems").replaceChildren(...problems);
    if (state.view.kind === "leaves" && chosen < state.view.scans.length) {
      state.chosen = chosen;
      scans();
    }
  }

  // --- keys ------------------------------------------------------------------------------------

  const keys = {
    d: nextUndecided,
    n: () => step(1),
    p: () => step(-1),
    e: () => reason("exclude"),
    k: () => reason("keep"),
    u: undo,
    s: save,
    f: () => at("flagged-only").click(),
  };

  // Who presses a key of a decision before the group is there goes on typing the reason. Those
  // letters are no commands: none is taken until the keyboard has been quiet for a while.
  const QUIET_MS = 1000;
  let quiet = 0;

  function ignoreUntilQuiet() {
    state.ignoring = true;
    clearTimeout(quiet);
    quiet = setTimeout(() => { state.ignoring = false; }, QUIET_MS);
  }

  document.addEventListener("keydown", (event) => {
    const inField = event.target.closest("input:not([type=checkbox]), textarea, select");
    if (inField || event.ctrlKey || event.altKey || event.metaKey || !at("use-keys").checked || !state.view) return;
    const digit = /^[1-9]$/.test(event.key);
    if (state.ignoring && event.key.length === 1) {
      event.preventDefault();
      ignoreUntilQuiet();
      return;
    }
    if (!digit && !keys[event.key]) return;
    event.preventDefault();
    if (state.loading) {
      if (event.key === "e" || event.key === "k") ignoreUntilQuiet();
      say("The next group is not there yet: the key was not taken.");
    } else if (digit) choose(Number(event.key) - 1);
    else keys[event.key]();
  });
  at("previous").addEventListener("click", () => step(-1));
  at("next").addEventListener("click", () => step(1));
  at("undecided").addEventListener("click", nextUndecided);
  at("save").addEventListener("click", save);
  at("undo").addEventListener("click", undo);
  at("flagged-only").addEventListener("change", () => { list(); if (state.view) show(); });
  at("by").addEventListener("change", () => { at("by").removeAttribute("aria-invalid"); remember("by", at("by").value); });
  window.addEventListener("beforeunload", (event) => { if (state.drafts.length) event.preventDefault(); });
  let width = window.innerWidth;
  window.addEventListener("resize", () => {
    if (window.innerWidth !== width && state.view) { width = window.innerWidth; figures(); }
  });
  window.addEventListener("load", attempt(async () => {
    await open();
    if (state.study.can_show_effects) After.planned();
  }));

  return { at, make, ask, attempt, say, state, effectsSeen, fresh };
})();
