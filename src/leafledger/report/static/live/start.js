// Draws the figures one after the other; whatever fails leaves its still picture in place.
const FIGURES = {
  courses: coursesFigure, difference: differenceFigure, path: pathFigure, spectra: spectraFigure, terms: termsFigure,
};

const stayStill = (host, error) => {
  host.closest("figure").classList.remove("on");
  host.replaceChildren(el("p", { class: "note" },
    `The picture that can be zoomed did not start in this browser (${error.message}); the still one stands below.`));
  host.hidden = false;
};

const drawLive = async (host, value) => {
  try {
    await FIGURES[host.dataset.live](host, value);
  } catch (error) {
    stayStill(host, error);
  }
  host.dataset.drawn = "";
};

// A figure in a folded part has no width: it is drawn when the part is opened.
const whenOpen = (host, draw) => {
  const folded = host.parentElement.closest("details:not([open]):not(.step)");
  if (!folded) return draw();
  folded.addEventListener("toggle", () => whenOpen(host, draw), { once: true });
  return undefined;
};

const startLive = async () => {
  const hosts = [...document.querySelectorAll("[data-live]")];
  if (!hosts.length) return;
  let values;
  try {
    values = JSON.parse(await unpacked("drawing-values"));
    await loadLibrary();
  } catch (error) {
    hosts.forEach((host) => stayStill(host, error));
    return;
  }
  for (const host of hosts) {
    await whenOpen(host, () => drawLive(host, values[host.dataset.live]));
    await new Promise((next) => { setTimeout(next); });
  }
  document.documentElement.dataset.live = "drawn";
};

document.querySelectorAll("figure").forEach(offerStill);
startLive();
