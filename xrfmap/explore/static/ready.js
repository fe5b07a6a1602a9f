// Once the page stands: its width, keys, and names for those who do not see the canvas.
const measure = () => { viewport.data = {w: [document.documentElement.clientWidth]}; };
let waiting;
window.addEventListener("resize", () => {
  window.clearTimeout(waiting);
  waiting = window.setTimeout(measure, 200);
});
measure();
// Corners of an outline that is being set: drawn on all maps, sent when closed.
window.xrfmapCorner = (x, y) => {
  const {x: xs, y: ys} = sketch.data;
  const last = xs.length - 1;
  const near = (a, b, step) => Math.abs(a - b) < step / 2;
  if (last >= 0 && near(xs[last], x, grid.dx) && near(ys[last], y, grid.dy)) return;
  sketch.data = {x: [...xs, x], y: [...ys, y]};
};
window.xrfmapClose = () => {
  const {x, y} = sketch.data;
  if (x.length < 3) return;
  closed.data = {x: [...x], y: [...y], n: x.map(() => window.performance.now())};
  sketch.data = {x: [], y: []};
};
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
  if (mode.active === 1) {
    const {x, y} = sketch.data;
    const keys = {
      " ": () => probe.data.x.length && window.xrfmapCorner(probe.data.x[0], probe.data.y[0]),
      Enter: window.xrfmapClose,
      Backspace: () => { sketch.data = {x: x.slice(0, -1), y: y.slice(0, -1)}; },
    };
    if (event.key in keys) {
      event.preventDefault();
      keys[event.key]();
      return;
    }
  }
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
  if (event.key === "Escape") {
    if (sketch.data.x.length) sketch.data = {x: [], y: []};
    else if (probe.data.held.length && probe.data.held[0]) {
      probe.data = {...probe.data, held: [0]};
    }
  }
  if (event.key === "z" && (event.ctrlKey || event.metaKey) && !event.shiftKey && !typing()) {
    event.preventDefault();
    asked.data = {n: [asked.data.n[0] + 1]};
  }
});
document.body.dataset.ready = "yes";
