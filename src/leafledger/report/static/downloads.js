// Saves a table of the page as CSV, and opens the folded part that a link leads to.
const tableTexts = (() => {
  let read;
  return () => (read ??= unpacked("table-values").then(JSON.parse));
})();

if ("DecompressionStream" in window) {
  document.querySelectorAll("button[data-csv]").forEach((button) => {
    button.hidden = false;
    button.addEventListener("click", async () => {
      const { file, text } = (await tableTexts())[button.dataset.csv];
      handOver(new Blob([text], { type: "text/csv;charset=utf-8" }), file);
    });
  });
}

const reveal = () => {
  let target = null;
  try {
    target = document.getElementById(decodeURIComponent(location.hash.slice(1)));
  } catch { /* an address that is not encoded rightly leads nowhere */ }
  if (!target) return;
  const closed = [];
  for (let at = target; at; at = at.parentElement) {
    if (at.localName === "details" && !at.open && !at.classList.contains("step")) closed.push(at);
  }
  if (!closed.length) return;
  closed.forEach((one) => { one.open = true; });
  target.scrollIntoView();
};
window.addEventListener("hashchange", reveal);
reveal();
