// A click holds the pixel, or sets a corner; a click on the held pixel lets the pointer lead again.
if (mode.active === 1) {
  window.xrfmapCorner(cb_obj.x, cb_obj.y);
  return;
}
if (mode.active !== 0) return;
const column = Math.floor((cb_obj.x - grid.x0) / grid.dx);
const row = Math.floor((cb_obj.y - grid.y0) / grid.dy);
if (column < 0 || row < 0 || column >= grid.columns || row >= grid.rows) return;
const x = grid.x0 + (column + 0.5) * grid.dx;
const y = grid.y0 + (row + 0.5) * grid.dy;
const same = probe.data.held.length && probe.data.held[0] &&
  probe.data.x[0] === x && probe.data.y[0] === y;
probe.data = {x: [x], y: [y], held: [same ? 0 : 1]};
