"use strict";
// What the plotting library leaves to the page: as many points as the screen can show, the
// lowest and highest of each column; one pointer through all plots; a picture.
const page = (() => {
  const about = JSON.parse(document.getElementById("about").textContent);
  const element = (id) => document.getElementById(id);
  const all = (selector) => [...document.querySelectorAll(selector)];
  const QUIET_MS = 200;
  const TOUCHED = matchMedia("(pointer: coarse)").matches;
  let models = null; // of the view from above: way, part, here
  let plots = []; // over time: its range, source, channels, place on the page, whether it is late
  let view = null; // start and end of what is shown
  let drawing = false;
  let quiet = 0;
  let pointed = false;
  let data = null; // t, low and high: the bins of the drive

  // -- the drive's numbers -------------------------------------------------------------------

  async function unpack() {
    const text = atob(element("data").textContent.trim());
    const packed = new Uint8Array(text.length);
    for (let i = 0; i < packed.length; i++) packed[i] = text.charCodeAt(i);
    const stream = new Blob([packed]).stream().pipeThrough(new DecompressionStream("gzip"));
    const bytes = new Uint8Array(await new Response(stream).arrayBuffer());
    const n = about.bins;
    let at = 0;
    const take = (kind) => {
      const size = kind.BYTES_PER_ELEMENT;
      const out = new Uint8Array(n * size);
      for (let b = 0; b < size; b++) {
        for (let i = 0; i < n; i++) out[i * size + b] = bytes[at + b * n + i];
      }
      at += n * size;
      return new kind(out.buffer);
    };
    const t = take(Float64Array);
    let micros = 0;
    for (let i = 0; i < n; i++) {
      micros += t[i];
      t[i] = about.start_s + micros * 1e-6;
    }
    const low = {}, high = {};
    for (const name of about.channels) {
      low[name] = take(Float32Array);
      high[name] = about.rows > 1 ? take(Float32Array) : low[name];
    }
    return { t, low, high };
  }

  function firstAtOrAfter(time) {
    let a = 0, b = data.t.length;
    while (a < b) {
      const middle = (a + b) >> 1;
      if (data.t[middle] < time) a = middle + 1;
      else b = middle;
    }
    return a;
  }

  // Bins a..b in columns of `step`: for each column its time twice, and its two extremes. A column
  // ends at a gap of the recording; a point without a value follows, so that no line leads over it.
  function columns(a, b, step, channels) {
    const starts = [], after = []; // of each column its first bin, and whether a gap is before it
    for (let i = a; i < b; i++) {
      const gap = i > a && data.t[i] - data.t[i - 1] > about.gap_s;
      if (gap || (i - a) % step === 0) {
        starts.push(i);
        after.push(gap);
      }
    }
    const size = 2 * starts.length + after.filter(Boolean).length;
    const each = (put) => {
      for (let k = 0, at = 0; k < starts.length; k++, at += 2) {
        if (after[k]) put(at++, starts[k], null);
        put(at, starts[k], k + 1 < starts.length ? starts[k + 1] : b);
      }
    };
    const result = { t: new Float64Array(size) };
    each((at, first, end) => {
      if (end === null) result.t[at] = data.t[first];
      else result.t[at] = result.t[at + 1] = 0.5 * (data.t[first] + data.t[end - 1]);
    });
    for (const name of channels) {
      const low = data.low[name], high = data.high[name], out = new Float64Array(size);
      let before = NaN;
      each((at, first, end) => {
        let least = NaN, most = NaN;
        for (let i = first; i < end; i++) {
          if (low[i] < least || least !== least) least = low[i];
          if (high[i] > most || most !== most) most = high[i];
        }
        if (end === null) {
          before = out[at] = NaN;
          return;
        }
        // The nearer one first: a falling line must not become a saw.
        const falls = Math.abs(before - most) < Math.abs(before - least);
        out[at] = falls ? most : least;
        before = out[at + 1] = falls ? least : most;
      });
      result[name] = out;
    }
    return result;
  }

  // -- moving in time ------------------------------------------------------------------------

  // Plots in sight follow at once, the others when it is quiet: an hour's drive must not wait
  // for what nobody sees.
  function show(start, end) {
    view = { start, end };
    for (const plot of plots) plot.late = true;
    draw((plot) => {
      const box = plot.box.getBoundingClientRect();
      return box.bottom > 0 && box.top < innerHeight;
    });
    clearTimeout(quiet);
    quiet = setTimeout(() => draw(() => true), QUIET_MS);
    const way = models.way.data, x = [], y = [];
    for (let i = 0; i < way.t.length; i++) {
      if (way.t[i] >= start && way.t[i] <= end) {
        x.push(way.x[i]);
        y.push(way.y[i]);
      }
    }
    models.part.data = { x, y };
    if (pointed) point(null);
    document.dispatchEvent(new CustomEvent("view", { detail: view }));
  }

  function draw(wanted) {
    const width = Math.max(200, element("plots").clientWidth - about.beside_px);
    let a = Math.max(0, firstAtOrAfter(view.start) - 1);
    const b = Math.min(data.t.length, firstAtOrAfter(view.end) + 1);
    const step = Math.max(1, Math.ceil((b - a) / width));
    a -= a % step; // the same columns wherever the window is: nothing flickers while it moves
    drawing = true;
    for (const plot of plots) {
      if (!plot.late || !wanted(plot)) continue;
      plot.late = false;
      plot.time.setv(view);
      if (plot.channels.length) plot.source.data = columns(a, b, step, plot.channels);
    }
    drawing = false;
  }

  function go(start, end) {
    const [first, last] = about.view;
    const length = Math.min(last - first, Math.max(0.02, end - start));
    start = Math.min(Math.max(first, 0.5 * (start + end - length)), last - length);
    show(start, start + length);
  }

  function zoom(factor) {
    const { start, end } = view;
    const middle = 0.5 * (start + end), half = 0.5 * (end - start) * factor;
    go(middle - half, middle + half);
  }

  function move(share) {
    const by = share * (view.end - view.start);
    go(view.start + by, view.end + by);
  }

  const whole = () => go(...about.view);

  function choose(row) {
    for (const other of all("tr.chosen")) other.classList.remove("chosen");
    row.classList.add("chosen");
    const start = Number(row.dataset.start), end = Number(row.dataset.end);
    const pad = Math.max(0.5, 0.25 * (end - start));
    go(start - pad, end + pad);
    const plots = element("plots").getBoundingClientRect();
    if (plots.top > 0.6 * innerHeight) element("plots").scrollIntoView();
  }

  // -- the pointer ---------------------------------------------------------------------------

  function point(time, x) {
    const shown = time !== null && data !== null;
    pointed = shown;
    let i = 0;
    if (shown) {
      i = Math.min(data.t.length - 1, firstAtOrAfter(time));
      if (i > 0 && time - data.t[i - 1] < data.t[i] - time) i--;
    }
    element("now").textContent = shown ? `${data.t[i].toFixed(3)} s` : "";
    for (const cross of all(".cross")) {
      cross.hidden = !shown;
      if (shown) cross.style.left = `${x}px`;
    }
    for (const out of all("output[data-channel]")) {
      out.textContent = shown ? value(out.dataset.channel, i, Number(out.dataset.digits)) : "";
    }
    const way = models.way.data;
    let at = 0;
    if (shown) while (at < way.t.length - 1 && way.t[at] < data.t[i]) at++;
    models.here.data = shown ? { x: [way.x[at]], y: [way.y[at]] } : { x: [], y: [] };
  }

  function leave() {
    if (!TOUCHED) point(null); // a finger that was lifted still wants to read the numbers
  }

  function value(name, i, digits) {
    const low = data.low[name][i], high = data.high[name][i];
    if (low !== low) return "-";
    const least = low.toFixed(digits), most = high.toFixed(digits);
    return least === most ? least : `${least} to ${most}`;
  }

  // -- pictures ------------------------------------------------------------------------------

  async function picture() {
    const scale = devicePixelRatio, parts = [];
    for (const panel of all("#plots .panel")) {
      const canvas = viewOf(panel).export("png").canvas;
      parts.push({ canvas, panel, title: panel.querySelector("h2").textContent });
    }
    const width = Math.max(...parts.map((p) => p.canvas.width));
    const head = 22 * scale;
    const out = document.createElement("canvas");
    out.width = width;
    out.height = parts.reduce((sum, p) => sum + p.canvas.height + head, 2 * head);
    const ink = out.getContext("2d");
    const css = getComputedStyle(document.documentElement);
    const colour = (name) => css.getPropertyValue(`--${name}`).trim();
    ink.fillStyle = colour("paper");
    ink.fillRect(0, 0, out.width, out.height);
    const write = (text, x, y, bold) => {
      ink.fillStyle = colour("ink");
      ink.font = `${bold ? "600 " : ""}${13 * scale}px system-ui, sans-serif`;
      ink.fillText(text, x, y);
      return x + ink.measureText(text).width;
    };
    write(document.title, 8 * scale, 24 * scale, true);
    let y = 2 * head;
    for (const { canvas, panel, title } of parts) {
      let x = write(title, 8 * scale, y + 16 * scale, true);
      for (const item of panel.querySelectorAll(".legend li[data-role]")) {
        x += 18 * scale;
        ink.strokeStyle = colour(item.dataset.role);
        ink.lineWidth = 2 * scale;
        ink.setLineDash(item.dataset.dash.split(" ").filter(Boolean).map((d) => d * scale));
        ink.beginPath();
        ink.moveTo(x, y + 12 * scale);
        ink.lineTo(x + 26 * scale, y + 12 * scale);
        ink.stroke();
        x = write(item.querySelector("span").textContent, x + 32 * scale, y + 16 * scale);
      }
      ink.drawImage(canvas, 0, y + head);
      y += head + canvas.height;
    }
    return out;
  }

  // A swipe moves the page, not a plot; two fingers, the buttons and the table zoom.
  function letFingersScroll(panel) {
    const view = viewOf(panel);
    view.model.toolbar.active_drag = null;
    view.canvas_view.events_el.style.touchAction = "pan-y";
  }

  function viewOf(panel) {
    const id = panel.querySelector("[data-root-id]").dataset.rootId;
    return Bokeh.index.get_by_id(id);
  }

  async function save() {
    const canvas = await picture();
    const link = document.createElement("a");
    link.download = `${document.title.replace(/\.csv(\.gz)?$/, "")}.png`;
    link.href = canvas.toDataURL("image/png");
    link.click();
  }

  // -- starting ------------------------------------------------------------------------------

  function measure() {
    for (const [name, id] of [["plots", "#plots"], ["path", ".path"]]) {
      const box = document.querySelector(id), css = getComputedStyle(box);
      const width = box.clientWidth - parseFloat(css.paddingLeft) - parseFloat(css.paddingRight);
      const paper = 690; // pixels of an A4 page between its margins
      document.documentElement.style.setProperty(`--${name}-px`, `${width}px`);
      document.documentElement.style.setProperty(`--${name}-fit`, Math.min(1, paper / width));
    }
  }

  if (location.hash === "#picture") document.documentElement.classList.add("picture");

  async function start(given) {
    try {
      data = await unpack();
    } catch (error) {
      element("trouble").textContent =
        `This browser cannot unpack the drive (${error}). A newer one can.`;
      element("trouble").hidden = false;
      return;
    }
    models = given;
    const boxes = all("#plots .plot");
    plots = given.times.map((time, i) => {
      const source = given.sources[i];
      const channels = Object.keys(source.data).filter((name) => name !== "t");
      time.change.connect(() => {
        if (!drawing) go(time.start, time.end); // by a tool of the plotting library
      });
      return { time, source, channels, box: boxes[i], late: true };
    });
    if (TOUCHED) all("#plots .panel, section.path").forEach(letFingersScroll);
    look.follow(models.way.document.roots());
    whole();
    draw(() => true);
    measure();
    addEventListener("resize", () => {
      measure();
      show(view.start, view.end);
    });
    document.documentElement.dataset.ready = "yes";
  }

  element("whole").addEventListener("click", whole);
  element("in").addEventListener("click", () => zoom(0.5));
  element("out").addEventListener("click", () => zoom(2));
  element("back").addEventListener("click", () => move(-0.4));
  element("forth").addEventListener("click", () => move(0.4));
  element("png").addEventListener("click", save);
  for (const row of all("tr[data-start]")) {
    row.addEventListener("click", () => choose(row));
    row.addEventListener("keydown", (event) => {
      if (event.key === "Enter" || event.key === " ") {
        event.preventDefault();
        choose(row);
      }
    });
  }

  return { start, point, leave, whole, go, columns, view: () => view, bins: () => data };
})();
