// Unpacks the library and the values that travel in the page, and saves drawings as files.
const unpacked = async (id) => {
  const packed = Uint8Array.from(atob(document.getElementById(id).textContent), (c) => c.charCodeAt(0));
  const stream = new Blob([packed]).stream().pipeThrough(new DecompressionStream("gzip"));
  return new Response(stream).text();
};

const loadLibrary = async () => {
  const script = document.createElement("script");
  script.textContent = await unpacked("drawing-library");
  document.head.append(script);
  if (!window.Plotly) throw new Error("the drawing library did not start");
};

const handOver = (blob, name) => {
  const link = el("a", { href: URL.createObjectURL(blob), download: name });
  document.body.append(link);
  link.click();
  link.remove();
  setTimeout(() => URL.revokeObjectURL(link.href), 10000);
};

const asPixels = async (svg, width, height) => {
  const image = new Image();
  image.src = `data:image/svg+xml,${encodeURIComponent(svg)}`;
  await image.decode();
  const scale = 3;
  const canvas = el("canvas", { width: Math.round(width * scale), height: Math.round(height * scale) });
  const pen = canvas.getContext("2d");
  pen.fillStyle = "#fff";
  pen.fillRect(0, 0, canvas.width, canvas.height);
  pen.drawImage(image, 0, 0, canvas.width, canvas.height);
  return new Promise((done) => canvas.toBlob(done, "image/png"));
};

const save = async (form, name, drawing) => {
  const { svg, width, height } = await drawing();
  const blob = form === "svg"
    ? new Blob([svg], { type: "image/svg+xml" })
    : await asPixels(svg, width, height);
  handOver(blob, `${name}.${form}`);
};

const saveButtons = (name, drawing) => ["svg", "png"].map((form) =>
  pressed(`Save as ${form.toUpperCase()}`, () => save(form, name, drawing), { "data-save": form }));

// Still figures stand in the page as SVG, or as a picture where that is lighter.
const stillDrawing = (plot) => () => {
  const [, , width, height] = plot.getAttribute("viewBox").split(" ").map(Number);
  const copy = plot.cloneNode(true);
  copy.removeAttribute("class");
  copy.removeAttribute("style");
  copy.setAttribute("width", width);
  copy.setAttribute("height", height);
  copy.setAttribute("font-family", "DejaVu Sans, Verdana, Arial, sans-serif");
  return { svg: new XMLSerializer().serializeToString(copy), width, height };
};

const pictureButton = (plot, name) => pressed("Save as PNG", async () => {
  const data = atob(plot.src.split(",")[1]);
  handOver(new Blob([Uint8Array.from(data, (c) => c.charCodeAt(0))], { type: "image/png" }), `${name}.png`);
}, { "data-save": "png" });

const offerStill = (figure) => {
  const plot = figure.querySelector(".frame > .plot");
  if (!plot) return;
  const name = figure.id.replace("fig-", "");
  const buttons = plot.tagName === "IMG" ? [pictureButton(plot, name)] : saveButtons(name, stillDrawing(plot));
  [...figure.querySelectorAll(".frame")].pop().after(el("div", { class: "tools still" }, ...buttons));
};
