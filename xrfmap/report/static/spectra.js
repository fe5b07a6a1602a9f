/* Spectra: an SVG that is drawn anew for every choice, zoom and width. */
(function () {
  const source = document.getElementById("spectra-data");
  if (!source) { return; }
  const data = JSON.parse(source.textContent);
  const el = function (id) { return document.getElementById(id); };
  const plot = el("plot"), partsBox = el("parts"), reading = el("spectrum-reading");
  const ns = "http://www.w3.org/2000/svg";
  const off = new Set();
  let now = data[0], range = [now.low, now.high], box = null, drag = null, printing = false;

  function make(name, attributes, parent, text) {
    const node = document.createElementNS(ns, name);
    for (const key of Object.keys(attributes)) { node.setAttribute(key, attributes[key]); }
    if (text !== undefined) { node.textContent = text; }
    parent.appendChild(node);
    return node;
  }
  function indexOf(energy) {
    const e = now.energy, step = (e[e.length - 1] - e[0]) / (e.length - 1);
    return Math.min(e.length - 1, Math.max(0, Math.round((energy - e[0]) / step)));
  }
  function frame() {
    const width = printing ? 720 : Math.max(280, Math.floor(plot.clientWidth));
    const height = printing ? 400 : Math.max(300, Math.min(560, Math.round(width * 0.5)));
    const first = indexOf(range[0]), last = indexOf(range[1]);
    let top = 0, bottom = Infinity;
    for (let i = first; i <= last; i += 1) {
      top = Math.max(top, now.counts[i]);
      if (now.counts[i] > 0) { bottom = Math.min(bottom, now.counts[i]); }
    }
    now.full.forEach(function (run) {
      for (let i = Math.max(first, run[0]); i <= Math.min(last, run[1]); i += 1) { top = Math.max(top, now.model[i] || 0); }
    });
    const log = el("log-scale").checked;
    top = Math.max(top, 1);
    const high = log ? top * 1.6 : top * 1.06;
    const low = log ? Math.max(0.5, Math.min(isFinite(bottom) ? bottom / 3 : 0.5, high / 100)) : 0;
    const narrow = width < 520, named = el("line-names").checked && now.marks.length > 0;
    return {
      width: width, height: height, left: (narrow ? 46 : 62) + (log ? 0 : 16), right: 12, top: named ? 66 : 14,
      bottom: 44, first: first, last: last, low: low, high: high, log: log, named: named,
      x: function (e) { return this.left + (e - range[0]) / (range[1] - range[0]) * (this.width - this.left - this.right); },
      y: function (c) {
        const span = this.height - this.top - this.bottom;
        const share = this.log ? Math.log(Math.max(c, this.low) / this.low) / Math.log(this.high / this.low) : c / this.high;
        return this.height - this.bottom - Math.max(0, Math.min(1, share)) * span;
      },
      energy: function (x) { return range[0] + (x - this.left) / (this.width - this.left - this.right) * (range[1] - range[0]); }
    };
  }
  function niceStep(span, wanted) {
    const raw = span / wanted, power = Math.pow(10, Math.floor(Math.log10(raw)));
    return power * [1, 2, 5, 10].find(function (m) { return m * power >= raw; });
  }
  function superscript(n) {
    return String(n).replace(/[-0-9]/g, function (d) { return d === "-" ? "⁻" : "⁰¹²³⁴⁵⁶⁷⁸⁹"[d]; });
  }
  function axes(svg, f) {
    const line = { stroke: "#1f1d1a", "stroke-width": 0.8, fill: "none" };
    const base = f.height - f.bottom;
    make("path", Object.assign({ d: "M" + f.left + " " + f.top + "V" + base + "H" + (f.width - f.right) }, line), svg);
    const step = niceStep(range[1] - range[0], f.width < 520 ? 5 : 10);
    for (let e = Math.ceil(range[0] / step) * step; e <= range[1] + 1e-9; e += step) {
      make("path", Object.assign({ d: "M" + f.x(e) + " " + base + "v5" }, line), svg);
      make("text", { x: f.x(e), y: base + 18, "text-anchor": "middle" }, svg, String(Number(e.toFixed(3))));
    }
    make("text", { x: (f.left + f.width - f.right) / 2, y: f.height - 8, "text-anchor": "middle" }, svg, "energy [keV]");
    const ticks = [];
    if (f.log) {
      for (let p = Math.ceil(Math.log10(f.low)); Math.pow(10, p) <= f.high; p += 1) { ticks.push([Math.pow(10, p), "10" + superscript(p)]); }
    } else {
      const rise = niceStep(f.high, 6);
      for (let c = 0; c <= f.high; c += rise) { ticks.push([c, shownNumber(c, 2)]); }
    }
    for (const tick of ticks) {
      make("path", { d: "M" + f.left + " " + f.y(tick[0]) + "H" + (f.width - f.right), stroke: "#ece6da", "stroke-width": 1 }, svg);
      make("text", { x: f.left - 6, y: f.y(tick[0]) + 4, "text-anchor": "end" }, svg, tick[1]);
    }
    const middle = (f.top + base) / 2;
    make("text", { x: 13, y: middle, "text-anchor": "middle", transform: "rotate(-90 13 " + middle + ")" }, svg, "counts per channel");
  }
  function trace(f, values, start, stair) {
    let path = "", pen = false;
    const from = Math.max(f.first, start), to = Math.min(f.last, start + values.length - 1);
    for (let i = from; i <= to; i += 1) {
      const c = values[i - start], x = f.x(now.energy[i]);
      if (c === null || c === undefined) { pen = false; continue; }
      if (f.log && !(c > f.low)) {
        if (pen) { path += "L" + x.toFixed(1) + " " + f.y(0).toFixed(1); pen = false; }
        continue;
      }
      const y = f.y(c).toFixed(1);
      if (!pen) {
        path += "M" + x.toFixed(1) + " " + (i > from && f.log && !stair && values[i - 1 - start] !== null ? f.y(0).toFixed(1) + "L" + x.toFixed(1) + " " + y : y);
      } else if (stair) {
        path += "H" + ((x + f.x(now.energy[i - 1])) / 2).toFixed(1) + "V" + y + "H" + x.toFixed(1);
      } else { path += "L" + x.toFixed(1) + " " + y; }
      pen = true;
    }
    return path;
  }
  function full(svg, f) {
    const half = (now.energy[now.energy.length - 1] - now.energy[0]) / (now.energy.length - 1) / 2;
    now.full.forEach(function (run) {
      const from = Math.max(range[0], now.energy[run[0]] - half), to = Math.min(range[1], now.energy[run[1]] + half);
      if (from >= to) { return; }
      make("rect", { x: f.x(from), y: f.top, width: f.x(to) - f.x(from), height: f.height - f.top - f.bottom, fill: "#1f1d1a", "fill-opacity": 0.14, class: "full" }, svg);
    });
  }
  function isFull(i) { return now.full.some(function (run) { return run[0] <= i && i <= run[1]; }); }
  function curves(svg, f) {
    now.parts.forEach(function (part) {
      if (off.has(part.label)) { return; }
      const style = { d: trace(f, part.values, part.start, false), fill: "none", stroke: part.ink, "stroke-width": 1.2, class: "part", "data-part": part.label };
      if (part.dash) { style["stroke-dasharray"] = part.dash; }
      make("path", style, svg);
    });
    if (now.model) { make("path", { d: trace(f, now.model, 0, false), fill: "none", stroke: "#d9584a", "stroke-width": 2.2, class: "model" }, svg); }
    make("path", { d: trace(f, now.counts, 0, true), fill: "none", stroke: "#1f1d1a", "stroke-width": 0.8, class: "measured" }, svg);
  }
  function spread(places, gap, low, high) {
    if (places.length > 1) { gap = Math.min(gap, (high - low) / (places.length - 1)); }
    const blocks = [];
    places.forEach(function (place, i) {
      let total = place - i * gap, members = 1;
      while (blocks.length && blocks[blocks.length - 1][0] / blocks[blocks.length - 1][1] >= total / members) {
        const before = blocks.pop(); total += before[0]; members += before[1];
      }
      blocks.push([total, members]);
    });
    const out = [], last = high - (places.length - 1) * gap;
    for (const block of blocks) {
      const start = Math.min(Math.max(block[0] / block[1], low), last);
      for (let n = 0; n < block[1]; n += 1) { out.push(start + out.length * gap); }
    }
    return out;
  }
  function legible(marks, f, gap, low, high) {
    let chosen = [];
    for (const mark of marks.slice().sort(function (a, b) { return b.weight - a.weight; })) {
      const trial = chosen.concat([mark]).sort(function (a, b) { return a.e - b.e; });
      const wanted = trial.map(function (m) { return f.x(m.e); }), moved = spread(wanted, gap, low, high);
      if (wanted.every(function (x, i) { return Math.abs(x - moved[i]) <= 2 * gap; })) { chosen = trial; }
    }
    return chosen;
  }
  function names(svg, f) {
    if (!f.named) { return; }
    const gap = 12.5, low = f.left, high = f.width - f.right - 4;
    const inside = now.marks.filter(function (m) { return m.e > range[0] && m.e < range[1] && !off.has(m.family); });
    const marks = legible(inside, f, gap, low, high);
    const at = spread(marks.map(function (m) { return f.x(m.e); }), gap, low, high);
    marks.forEach(function (m, i) {
      const x = f.x(m.e), y = Math.max(f.top + 2, f.y(now.counts[indexOf(m.e)]) - 8);
      make("path", { d: "M" + x + " " + y + "V" + (f.top + 1) + "L" + at[i] + " " + (f.top - 8), stroke: "#5b554c", "stroke-width": 0.5, fill: "none" }, svg);
      make("text", { x: at[i] + 3.5, y: f.top - 11, transform: "rotate(-90 " + (at[i] + 3.5) + " " + (f.top - 11) + ")", "font-size": 11, class: "mark" }, svg, m.label);
    });
  }
  function draw() {
    const f = frame();
    box = f;
    plot.textContent = "";
    const svg = make("svg", { viewBox: "0 0 " + f.width + " " + f.height, role: "img", "aria-label": now.name + ", " + range[0].toFixed(2) + " to " + range[1].toFixed(2) + " keV" }, plot);
    axes(svg, f); full(svg, f); curves(svg, f); names(svg, f);
    f.band = make("rect", { x: 0, y: f.top, width: 0, height: f.height - f.top - f.bottom, fill: "#24475f", "fill-opacity": 0.15 }, svg);
    f.cursor = make("path", { d: "", stroke: "#5b554c", "stroke-width": 0.6 }, svg);
    el("e-from").value = range[0].toFixed(2); el("e-to").value = range[1].toFixed(2);
  }
  function zoomTo(low, high) {
    const first = now.energy[0], last = now.energy[now.energy.length - 1];
    const width = Math.min(Math.max(high - low, 0.1), last - first);
    const start = Math.min(Math.max(low, first), last - width);
    range = [start, start + width];
    draw();
  }
  function zoom(factor, about) {
    const middle = about === undefined ? (range[0] + range[1]) / 2 : about;
    zoomTo(middle - (middle - range[0]) * factor, middle + (range[1] - middle) * factor);
  }
  function listParts() {
    partsBox.textContent = "";
    now.parts.forEach(function (part) {
      const label = document.createElement("label"), input = document.createElement("input");
      input.type = "checkbox"; input.checked = !off.has(part.label); input.dataset.part = part.label;
      input.addEventListener("change", function () {
        if (input.checked) { off.delete(part.label); } else { off.add(part.label); }
        draw();
      });
      label.appendChild(input);
      const swatch = make("svg", { viewBox: "0 0 34 12", "aria-hidden": "true" }, label);
      const line = { d: "M1 6H33", stroke: part.ink, "stroke-width": 2.4 };
      if (part.dash) { line["stroke-dasharray"] = part.dash; }
      make("path", line, swatch);
      const text = document.createElement("span");
      text.textContent = part.label;
      label.appendChild(text);
      partsBox.appendChild(label);
    });
    partsBox.parentNode.hidden = now.parts.length === 0;
  }
  function setAll(shown) {
    now.parts.forEach(function (part) { if (shown) { off.delete(part.label); } else { off.add(part.label); } });
    listParts(); draw();
  }
  function place(event) {
    const size = plot.getBoundingClientRect();
    return (event.clientX - size.left) * box.width / size.width;
  }
  function tell(x) {
    const i = indexOf(box.energy(x));
    const words = [now.energy[i].toFixed(3) + " keV", shownNumber(now.counts[i]) + " counts measured"];
    if (isFull(i)) { words.push("ran full, not fitted"); }
    if (now.model && now.model[i] !== null) { words.push("fit " + shownNumber(now.model[i], 3)); }
    const near = now.parts.map(function (p) { return [p.label, p.values[i - p.start] || 0]; })
      .filter(function (p) { return p[1] > 0.02 * Math.max(1, now.counts[i]) && !off.has(p[0]); })
      .sort(function (a, b) { return b[1] - a[1]; }).slice(0, 4)
      .map(function (p) { return p[0] + " " + shownNumber(p[1], 2); });
    if (near.length) { words.push("of it " + near.join(", ")); }
    reading.textContent = words.join("; ");
    box.cursor.setAttribute("d", "M" + box.x(now.energy[i]) + " " + box.top + "V" + (box.height - box.bottom));
  }
  plot.addEventListener("pointerdown", function (event) {
    drag = place(event);
    plot.setPointerCapture(event.pointerId);
  });
  plot.addEventListener("pointermove", function (event) {
    const x = place(event);
    if (x >= box.left && x <= box.width - box.right) { tell(x); }
    if (drag !== null) {
      box.band.setAttribute("x", Math.min(drag, x)); box.band.setAttribute("width", Math.abs(x - drag));
    }
  });
  plot.addEventListener("pointerup", function (event) {
    const x = place(event), from = drag;
    drag = null;
    if (from !== null && Math.abs(x - from) > 6) {
      zoomTo(box.energy(Math.min(from, x)), box.energy(Math.max(from, x)));
    }
  });
  plot.addEventListener("pointercancel", function () { drag = null; draw(); });
  plot.addEventListener("dblclick", function () { zoomTo(now.low, now.high); });
  plot.addEventListener("keydown", function (event) {
    const shift = (range[1] - range[0]) / 8;
    const acts = {
      "+": function () { zoom(0.6); }, "=": function () { zoom(0.6); }, "-": function () { zoom(1 / 0.6); },
      "0": function () { zoomTo(now.low, now.high); },
      ArrowLeft: function () { zoomTo(range[0] - shift, range[1] - shift); },
      ArrowRight: function () { zoomTo(range[0] + shift, range[1] + shift); }
    };
    if (acts[event.key] && !event.ctrlKey && !event.metaKey) { event.preventDefault(); acts[event.key](); }
  });
  for (const button of document.querySelectorAll("button[data-zoom]")) {
    button.addEventListener("click", function () {
      if (button.dataset.zoom === "all") { zoomTo(now.low, now.high); } else { zoom(button.dataset.zoom === "in" ? 0.6 : 1 / 0.6); }
    });
  }
  for (const id of ["e-from", "e-to"]) {
    el(id).addEventListener("change", function () {
      const low = Number(el("e-from").value), high = Number(el("e-to").value);
      const first = now.energy[0], last = now.energy[now.energy.length - 1];
      const from = Math.max(low, first), to = Math.min(high, last);
      if (to > from) { zoomTo(from, to); } else { draw(); }
    });
  }
  el("log-scale").addEventListener("change", draw);
  el("line-names").addEventListener("change", draw);
  el("parts-all").addEventListener("click", function () { setAll(true); });
  el("parts-none").addEventListener("click", function () { setAll(false); });
  el("which").addEventListener("change", function () {
    now = data[Number(el("which").value)];
    range = [now.low, now.high];
    listParts(); draw();
  });
  function onPaper(yes) { printing = yes; draw(); }
  window.addEventListener("beforeprint", function () { onPaper(true); });
  window.addEventListener("afterprint", function () { onPaper(false); });
  let seen = 0;
  new ResizeObserver(function () {
    if (!printing && Math.abs(plot.clientWidth - seen) > 1) { seen = plot.clientWidth; draw(); }
  }).observe(plot);
  listParts(); draw();
})();
