// Where a number comes from, in a small panel beside it; the appendix tells all of it.
(() => {
  const MOST = 5;
  const textOf = (node) => (node ? node.textContent.trim() : "");
  let panel = null, opener = null;

  const close = (back) => {
    if (!panel) return;
    panel.remove();
    panel = null;
    opener.setAttribute("aria-expanded", "false");
    if (back) opener.focus();
  };

  const copied = async (button, code) => {
    try {
      await navigator.clipboard.writeText(code.textContent);
      button.textContent = "Copied";
    } catch {
      // Without leave to write there the command is marked, to be copied by key.
      getSelection().selectAllChildren(code);
      button.textContent = "Marked";
    }
  };

  // Rows of the appendix: path, digest, and the step that wrote the file.
  const rowsAt = (target) => (target.localName === "tr" ? [target] : [...target.querySelectorAll("tr")]);
  const fileOf = (row) => {
    const maker = row.querySelector("td.tight a");
    return { path: textOf(row.querySelector(".path")), digest: textOf(row.querySelector(".digest")),
      maker: textOf(row.querySelector("td.tight")), at: maker && maker.hash.slice(1) };
  };

  const settingsOf = (makers) => makers.flatMap((id) => {
    const step = document.getElementById(id);
    const table = step && [...step.querySelectorAll("table")].find((t) => t.closest("details[id]") === step &&
      textOf(t.querySelector("th")).startsWith("Setting"));
    return table ? [...table.tBodies[0].rows].map((r) => `${textOf(r.cells[0])} = ${textOf(r.cells[1])}`) : [];
  });

  const command = (path) => {
    const code = el("code", {}, `leafledger trace . ${path.replace("results/", "")}`);
    const button = pressed("Copy", () => copied(button, code));
    return el("p", { class: "command" }, code, " ", button);
  };

  const built = (link, target) => {
    const files = rowsAt(target).map(fileOf).filter((file) => file.path);
    const settings = settingsOf([...new Set(files.map((file) => file.at).filter(Boolean))]);
    const list = el("dl");
    files.slice(0, MOST).forEach((file) => list.append(
      el("dt", {}, el("code", {}, file.path)),
      el("dd", {}, `written by ${file.maker}; SHA-256 `, el("span", { class: "digest", title: file.digest }, `${file.digest.slice(0, 16)}…`))));
    const more = files.length - MOST;
    const head = (link.getAttribute("aria-label") || "").replace(/^Lineage(:| of)? /, "") || "this number";
    const whole = el("a", { href: link.hash, class: "all" }, "All of it, in the appendix");
    whole.addEventListener("click", () => close(false));
    return el("div", { class: "where-from", role: "dialog", "aria-label": `Lineage: ${head}`, tabindex: "-1" },
      el("p", { class: "head" }, el("b", {}, `Where it comes from: ${head}`), pressed("Close", () => close(true))),
      list, ...(more > 0 ? [el("p", { class: "note" }, `and ${more} more files`)] : []),
      el("p", {}, settings.length ? "Settings other than the defaults:" : "All settings of these steps are as by default, or their records say none."),
      ...(settings.length ? [el("ul", {}, ...settings.slice(0, MOST).map((s) => el("li", {}, el("code", {}, s))),
        ...(settings.length > MOST ? [el("li", {}, `and ${settings.length - MOST} more`)] : []))] : []),
      el("p", {}, "The run and its time, from inside the study folder:"), command(files[0].path), el("p", {}, whole));
  };

  const place = () => {
    const at = opener.getBoundingClientRect(), wide = panel.offsetWidth;
    const left = Math.max(8, Math.min(at.left, document.documentElement.clientWidth - wide - 8));
    panel.style.left = `${left + scrollX}px`;
    panel.style.top = `${at.bottom + scrollY + 6}px`;
  };

  document.addEventListener("click", (event) => {
    const link = event.target.closest("a.origin,a.sourced");
    if (!link) {
      if (panel && !panel.contains(event.target)) close(false);
      return;
    }
    const target = document.getElementById(link.hash.slice(1));
    const readable = target && rowsAt(target).some((row) => row.querySelector(".path"));
    if (!readable || event.ctrlKey || event.metaKey || event.shiftKey) return;
    event.preventDefault();
    const again = panel && opener === link;
    close(false);
    if (again) return;
    opener = link;
    panel = built(link, target);
    document.body.append(panel);
    place();
    link.setAttribute("aria-expanded", "true");
    panel.focus({ preventScroll: true });
    panel.scrollIntoView({ block: "nearest" });
  });
  document.addEventListener("keydown", (event) => { if (event.key === "Escape") close(true); });
  window.addEventListener("resize", () => { if (panel) place(); });
})();
