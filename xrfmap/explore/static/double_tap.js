// A double click sets the last corner and closes the outline.
if (mode.active === 1) {
  window.xrfmapCorner(cb_obj.x, cb_obj.y);
  window.xrfmapClose();
}
