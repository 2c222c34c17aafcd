(() => {
  const all = document.getElementById("open-all");
  if (all) {
    all.hidden = false;
    all.addEventListener("click", () => {
      const open = all.getAttribute("aria-pressed") !== "true";
      document.querySelectorAll("details:not(.step)").forEach((d) => { d.open = open; });
      all.setAttribute("aria-pressed", String(open));
      all.textContent = open ? "Close all folded parts" : "Open all folded parts";
    });
  }
  // A link may lead into folded parts: they open, also where the browser does not do it by itself.
  const reveal = () => {
    const id = decodeURIComponent(location.hash.slice(1));
    const target = id && document.getElementById(id);
    if (!target) return;
    let opened = false;
    for (let d = target.closest("details"); d; d = d.parentElement.closest("details")) {
      opened = opened || !d.open;
      d.open = true;
    }
    if (opened) target.scrollIntoView();
  };
  window.addEventListener("hashchange", reveal);
  reveal();
  // The contents mark the part that is being read.
  const links = [...document.querySelectorAll("nav.toc a")];
  const mark = () => {
    let current = links[0];
    for (const link of links) {
      const part = document.getElementById(link.hash.slice(1));
      if (part && part.getBoundingClientRect().top < 160) current = link;
    }
    links.forEach((link) => {
      if (link === current) link.setAttribute("aria-current", "true");
      else link.removeAttribute("aria-current");
    });
  };
  let waiting = false;
  window.addEventListener("scroll", () => {
    if (waiting) return;
    waiting = true;
    requestAnimationFrame(() => { waiting = false; mark(); });
  }, { passive: true });
  mark();
  // What a term means opens below it; without this script, at the foot of the window.
  document.documentElement.dataset.placed = "";
  let term = null;
  document.addEventListener("click", (event) => { term = event.target.closest("button.term") || term; });
  document.addEventListener("toggle", (event) => {
    const meaning = event.target;
    if (event.newState !== "open" || !term || !meaning.matches(".meaning")) return;
    const at = term.getBoundingClientRect(), wide = meaning.offsetWidth;
    const left = Math.max(8, Math.min(at.left, document.documentElement.clientWidth - wide - 8));
    meaning.style.left = `${left + scrollX}px`;
    meaning.style.top = `${at.bottom + scrollY + 6}px`;
  }, true);
  // The words of a figure stand in two lines until more is asked for.
  document.querySelectorAll("figcaption").forEach((caption) => {
    const more = document.createElement("button");
    more.type = "button";
    more.className = "more";
    const show = (whole) => {
      caption.classList.toggle("short", !whole);
      more.textContent = whole ? "Less" : "How to read it";
      more.setAttribute("aria-expanded", String(whole));
    };
    more.addEventListener("click", () => show(caption.classList.contains("short")));
    caption.querySelector(".foot").prepend(more);
    show(false);
  });
  document.querySelectorAll(".steps").forEach((box) => {
    const steps = [...box.querySelectorAll("details.step")];
    const controls = [...box.querySelectorAll(".step-control")];
    if (!controls.length || steps.length < 2) return;
    const start = Math.max(0, steps.findIndex((s) => s.open));
    let now = start;
    const show = (i) => {
      now = Math.min(steps.length - 1, Math.max(0, i));
      steps.forEach((s, j) => { s.hidden = j !== now; s.open = true; });
      const said = steps[now].dataset.n + (now === start ? " (chosen)" : "");
      controls.forEach((control) => {
        const slider = control.querySelector("input");
        slider.value = String(now);
        slider.setAttribute("aria-valuetext", said + " latent variables");
        control.querySelector("output").textContent = said;
      });
      box.dataset.n = steps[now].dataset.n;
      box.dispatchEvent(new CustomEvent("step", { detail: Number(box.dataset.n) }));
    };
    // A size picked on the curve opens the part that shows its matrix and loadings.
    box.addEventListener("ask", ({ detail }) => {
      show(steps.findIndex((s) => Number(s.dataset.n) === detail));
      const folded = steps[now].closest("details.annex");
      if (folded) folded.open = true;
    });
    controls.forEach((control) => {
      const slider = control.querySelector("input");
      slider.max = String(steps.length - 1);
      slider.addEventListener("input", () => show(Number(slider.value)));
      control.querySelectorAll("button").forEach((b) => {
        b.addEventListener("click", () => show(b.dataset.step === "chosen" ? start : now + Number(b.dataset.step)));
      });
      control.hidden = false;
    });
    box.classList.add("stepping");
    show(start);
  });
  // Text to paste: into the clipboard, or selected where the browser keeps that from pages.
  document.querySelectorAll("button[data-copy]").forEach((button) => {
    const text = document.getElementById(button.dataset.copy);
    const status = document.querySelector(`[data-copied="${button.dataset.copy}"]`);
    button.hidden = false;
    button.addEventListener("click", async () => {
      try {
        await navigator.clipboard.writeText(text.innerText);
        status.textContent = "Copied.";
      } catch {
        getSelection().selectAllChildren(text);
        status.textContent = "Selected: copy it with the keys of your browser.";
      }
    });
  });
})();
