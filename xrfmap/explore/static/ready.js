// Once the page stands: its width, keys, and names for those who do not see the canvas.
const measure = () => { viewport.data = {w: [document.documentElement.clientWidth]}; };
let waiting;
window.addEventListener("resize", () => {
  window.clearTimeout(waiting);
  waiting = window.setTimeout(measure, 200);
});
measure();
const place = document.getElementById("maps");
const move = (columns, rows) => {
  const middle = [
    Math.floor(grid.columns / 2), Math.floor(grid.rows / 2),
  ];
  let column = middle[0], row = middle[1];
  if (probe.data.x.length) {
    column = Math.round((probe.data.x[0] - grid.x0) / grid.dx - 0.5) + columns;
    row = Math.round((probe.data.y[0] - grid.y0) / grid.dy - 0.5) + rows;
  }
  column = Math.min(Math.max(column, 0), grid.columns - 1);
  row = Math.min(Math.max(row, 0), grid.rows - 1);
  probe.data = {
    x: [grid.x0 + (column + 0.5) * grid.dx], y: [grid.y0 + (row + 0.5) * grid.dy], held: [1],
  };
};
place.addEventListener("keydown", (event) => {
  if (event.target !== place) return;
  const far = event.shiftKey ? 10 : 1;
  const ways = {
    ArrowLeft: [-far, 0], ArrowRight: [far, 0], ArrowUp: [0, -far], ArrowDown: [0, far],
  };
  if (!(event.key in ways)) return;
  event.preventDefault();
  move(...ways[event.key]);
});
const typing = () => {
  let here = document.activeElement;
  while (here && here.shadowRoot && here.shadowRoot.activeElement) {
    here = here.shadowRoot.activeElement;
  }
  return here && ["INPUT", "TEXTAREA", "SELECT"].includes(here.tagName);
};
document.addEventListener("keydown", (event) => {
  if (event.key === "Escape" && probe.data.held.length && probe.data.held[0]) {
    probe.data = {...probe.data, held: [0]};
  }
  if (event.key === "z" && (event.ctrlKey || event.metaKey) && !event.shiftKey && !typing()) {
    event.preventDefault();
    asked.data = {n: [asked.data.n[0] + 1]};
  }
});
document.body.dataset.ready = "yes";
