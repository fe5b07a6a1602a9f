// The pixel under the pointer, told to the server only when it changes, 25 times a second at most.
if (probe.data.held.length && probe.data.held[0]) return;
const column = Math.floor((cb_obj.x - grid.x0) / grid.dx);
const row = Math.floor((cb_obj.y - grid.y0) / grid.dy);
if (column < 0 || row < 0 || column >= grid.columns || row >= grid.rows) return;
const x = grid.x0 + (column + 0.5) * grid.dx;
const y = grid.y0 + (row + 0.5) * grid.dy;
if (probe.data.x[0] === x && probe.data.y[0] === y) return;
const tell = () => {
  window.xrfmapWaiting = undefined;
  if (probe.data.held.length && probe.data.held[0]) return;
  window.xrfmapTold = performance.now();
  probe.data = {x: [window.xrfmapPlace[0]], y: [window.xrfmapPlace[1]], held: [0]};
};
window.xrfmapPlace = [x, y];
if (window.xrfmapWaiting === undefined) {
  const since = performance.now() - (window.xrfmapTold || 0);
  window.xrfmapWaiting = window.setTimeout(tell, Math.max(0, 40 - since));
}
