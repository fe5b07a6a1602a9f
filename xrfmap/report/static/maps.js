/* Light table: the plates of the page, read back from their pictures, one large or three mixed. */
for (const root of document.querySelectorAll(".lighttable")) { (function () {
  const data = JSON.parse(document.getElementById(root.dataset.source).textContent);
  const grid = data.grid, size = grid.columns * grid.rows;
  const byId = new Map(data.plates.map(function (p) { return [p.id, p]; }));
  const el = function (role) { return root.querySelector("[data-role='" + role + "']"); };
  const all = function (what) { return root.querySelectorAll(what); };
  const sheet = el("sheet"), field = el("field"), hair = el("hair"), reading = el("reading");
  const ink = sheet.getContext("2d");
  const MASK = 255, UNSURE = 254, TOP = 253;
  const rgb = function (hex) {
    return [1, 3, 5].map(function (i) { return parseInt(hex.slice(i, i + 2), 16); });
  };
  const lut = data.lut.map(rgb), maskInk = rgb(data.mask), greyInk = [201, 195, 184];
  const inks = data.inks.map(rgb);
  const stepOf = new Map(lut.map(function (c, i) { return [c[0] << 16 | c[1] << 8 | c[2], i]; }));
  const held = new Map();
  let place = null;

  function pixelsOf(image) {
    const canvas = document.createElement("canvas");
    canvas.width = grid.columns; canvas.height = grid.rows;
    const pen = canvas.getContext("2d", { willReadFrequently: true });
    pen.drawImage(image, 0, 0);
    return pen.getImageData(0, 0, grid.columns, grid.rows).data;
  }
  function decode(id) {
    if (held.has(id)) { return held.get(id); }
    const raw = pixelsOf(document.getElementById("img-" + id)), steps = new Uint8Array(size);
    for (let i = 0; i < size; i += 1) {
      const step = stepOf.get(raw[4 * i] << 16 | raw[4 * i + 1] << 8 | raw[4 * i + 2]);
      steps[i] = step === undefined ? MASK : step;
    }
    const plate = { steps: steps, above: null };
    held.set(id, plate);
    return plate;
  }
  function load(id) {
    const plate = decode(id), about = byId.get(id);
    if (plate.above || !about.above) { return Promise.resolve(plate); }
    const image = new Image();
    image.src = about.above;
    return image.decode().then(function () {
      const raw = pixelsOf(image);
      plate.above = new Uint8Array(size);
      for (let i = 0; i < size; i += 1) { plate.above[i] = raw[4 * i] > 127 ? 1 : 0; }
      return plate;
    });
  }
  function chosen() {
    const mode = el("mode").querySelector(":checked").value;
    if (mode === "single") { return [el("choose-single").querySelector(":checked").value]; }
    return Array.from(all("select[data-light]"), function (s) { return s.value; });
  }
  function step(plate, i, strict) {
    const value = plate.steps[i];
    return strict && plate.above && value !== MASK && !plate.above[i] ? UNSURE : value;
  }
  function paint(out, i, colour) {
    out[4 * i] = colour[0]; out[4 * i + 1] = colour[1]; out[4 * i + 2] = colour[2]; out[4 * i + 3] = 255;
  }
  function drawSingle(plate, strict) {
    const picture = ink.createImageData(grid.columns, grid.rows);
    for (let i = 0; i < size; i += 1) {
      const s = step(plate, i, strict);
      paint(picture.data, i, s === MASK ? maskInk : s === UNSURE ? greyInk : lut[s]);
    }
    ink.putImageData(picture, 0, 0);
  }
  function drawMix(plates, strict) {
    const picture = ink.createImageData(grid.columns, grid.rows);
    for (let i = 0; i < size; i += 1) {
      const dark = [1, 1, 1];
      let blank = false;
      plates.forEach(function (plate, n) {
        if (!plate) { return; }
        const s = step(plate, i, strict);
        if (s === MASK) { blank = true; }
        if (s >= UNSURE) { return; }
        for (let c = 0; c < 3; c += 1) { dark[c] *= 1 - s / TOP * inks[n][c] / 255; }
      });
      paint(picture.data, i, blank ? maskInk : dark.map(function (d) { return Math.round(255 * (1 - d)); }));
    }
    ink.putImageData(picture, 0, 0);
  }
  function say(ids) {
    const single = el("mode").querySelector(":checked").value === "single";
    el("choose-single").hidden = !single; el("choose-mix").hidden = single;
    el("table-key").hidden = !single; el("table-mix").hidden = single;
    const plates = ids.filter(Boolean).map(function (id) { return byId.get(id); });
    if (single) {
      el("key-low").textContent = plates[0].key[0]; el("key-high").textContent = plates[0].key[1];
    } else {
      el("table-mix").textContent = ids.map(function (id, n) {
        const p = byId.get(id);
        return p ? ["orange", "blue-green", "violet"][n] + ": " + p.label + ", " + p.key[0] + " to " + p.key[1] : "";
      }).filter(Boolean).join("; ");
    }
    el("about").textContent = plates.map(function (p) { return p.label + ". " + p.about; }).join(" ");
    sheet.setAttribute("aria-label", single ? plates[0].alt
      : "Composite of " + (plates.map(function (p) { return p.label; }).join(", ") || "nothing"));
  }
  let turn = 0;
  function redraw() {
    const ids = chosen(), strict = el("only-above").checked, mine = (turn += 1);
    const single = el("mode").querySelector(":checked").value === "single";
    say(ids);
    Promise.all(ids.map(function (id) { return id ? load(id) : null; })).then(function (plates) {
      if (mine !== turn) { return; }
      if (single) { drawSingle(plates[0], strict); } else { drawMix(plates, strict); }
      sheet.dataset.shown = ids.join(" ");
      read();
    });
  }
  function words(id) {
    const p = byId.get(id), s = decode(id).steps[place.row * grid.columns + place.column];
    if (s >= UNSURE) { return p.label + " no measurement"; }
    const lead = s === 0 ? "≤ " : s === TOP ? "≥ " : "";
    return p.label + " " + lead + shownNumber(p.low + (p.high - p.low) * s / TOP, 4) + " " + p.unit;
  }
  function read() {
    hair.hidden = !place;
    if (!place) { return; }
    const u = (place.column + 0.5) / grid.columns, v = (place.row + 0.5) / grid.rows;
    hair.style.left = 100 * u + "%"; hair.style.top = 100 * v + "%";
    const x = grid.x0 + (grid.x1 - grid.x0) * u, y = grid.y0 + (grid.y1 - grid.y0) * v;
    reading.textContent = "x " + x.toFixed(1) + ", y " + y.toFixed(1) + " " + grid.unit + ": " +
      chosen().filter(Boolean).map(words).join("; ");
  }
  function point(event) {
    const box = field.getBoundingClientRect();
    const u = (event.clientX - box.left) / box.width, v = (event.clientY - box.top) / box.height;
    if (u < 0 || v < 0 || u >= 1 || v >= 1) { return; }
    place = { column: Math.floor(u * grid.columns), row: Math.floor(v * grid.rows) };
    read();
  }
  field.addEventListener("pointermove", point);
  field.addEventListener("pointerdown", point);
  field.addEventListener("keydown", function (event) {
    const way = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[event.key];
    if (!way) { return; }
    event.preventDefault();
    const far = event.shiftKey ? 10 : 1;
    if (!place) { place = { column: grid.columns >> 1, row: grid.rows >> 1 }; }
    place.column = Math.min(grid.columns - 1, Math.max(0, place.column + far * way[0]));
    place.row = Math.min(grid.rows - 1, Math.max(0, place.row + far * way[1]));
    read();
  });

  function outlines() {
    const svg = el("outlines"), names = el("names"), ns = "http://www.w3.org/2000/svg";
    const u = function (x) { return (x - grid.x0) / (grid.x1 - grid.x0); };
    const v = function (y) { return (y - grid.y0) / (grid.y1 - grid.y0); };
    const label = function (text, x, y, kind) {
      const tag = document.createElement("span");
      tag.textContent = text; tag.className = kind;
      tag.style.left = 100 * Math.min(0.99, Math.max(0, u(x))) + "%";
      tag.style.top = 100 * Math.min(0.99, Math.max(0.01, v(y))) + "%";
      names.appendChild(tag);
    };
    for (const area of data.areas) {
      const ring = area.ring.map(function (p) { return 1000 * u(p[0]) + "," + 1000 * v(p[1]); }).join(" ");
      for (const kind of ["halo", "edge"]) {
        const shape = document.createElementNS(ns, "polygon");
        shape.setAttribute("points", ring); shape.setAttribute("class", kind);
        svg.appendChild(shape);
      }
      const xs = area.ring.map(function (p) { return p[0]; }), ys = area.ring.map(function (p) { return p[1]; });
      const left = Math.min.apply(null, xs), top = Math.min.apply(null, ys);
      label(area.name, left, top, v(top) < 0.05 ? "in" : "on");
    }
    for (const spot of data.points) {
      if (u(spot.x) < 0 || u(spot.x) > 1 || v(spot.y) < 0 || v(spot.y) > 1) { continue; }
      label("", spot.x, spot.y, "spot");
      label(spot.name, spot.x, spot.y, u(spot.x) > 0.9 ? "before" : "beside");
    }
  }
  outlines();
  const areas = el("show-areas");
  if (areas) {
    areas.addEventListener("change", function () {
      el("outlines").style.visibility = el("names").style.visibility = areas.checked ? "" : "hidden";
    });
  }
  for (const slider of all("input[data-photo]")) {
    slider.addEventListener("input", function () {
      root.querySelector("img[data-photo='" + slider.dataset.photo + "']").style.opacity = slider.value / 100;
    });
  }
  for (const input of all("[data-role=mode] input, [data-role=choose-single] input, select[data-light], [data-role=only-above]")) {
    input.addEventListener("change", redraw);
  }
  for (const link of document.querySelectorAll("a[data-show][href='#" + root.id + "']")) {
    link.addEventListener("click", function () {
      el("mode").querySelector("[value=single]").checked = true;
      for (const radio of all("[data-role=choose-single] input")) {
        radio.checked = radio.value === link.dataset.show;
      }
      redraw();
    });
  }
  if (document.readyState === "complete") { redraw(); } else { window.addEventListener("load", redraw); }
})(); }
