"use strict";
// The page works without this script; with it the map moves, tables sort and holes turn in space.
(() => {
  const $ = (sel, from = document) => from.querySelector(sel);
  const $$ = (sel, from = document) => [...from.querySelectorAll(sel)];

  // ---- drawings: signs and letters keep their size on the screen, however wide the drawing is
  const scale = (svg, width) => {
    const wide = svg.clientWidth || svg.getBoundingClientRect().width;
    if (!wide) return;
    svg.style.setProperty("--u", (width / wide).toPrecision(5));
    apart(svg);
  };
  const meet = (a, b) => a.left < b.right + 2 && b.left < a.right + 2 && a.top < b.bottom + 1 && b.top < a.bottom + 1; // pixels are rounded
  const apart = svg => { // a label steps up or down until it meets no earlier one; the scale stands first
    const frame = svg.getBoundingClientRect(), per = svg.viewBox.baseVal.width / frame.width, set = [];
    const texts = [...$$("text.height", svg), ...$$("text.note", svg)];
    texts.forEach(text => text.removeAttribute("transform"));
    for (const text of texts) {
      const own = text.getBoundingClientRect(), tall = own.height + 1;
      if (!own.width) continue;
      const dx = Math.max(0, frame.left + 1 - own.left) + Math.min(0, frame.right - 1 - own.right);
      const moved = n => ({ left: own.left + dx, right: own.right + dx, top: own.top + n * tall / 2, bottom: own.bottom + n * tall / 2 });
      const free = n => { const b = moved(n); return (b.top >= frame.top && b.bottom <= frame.bottom) && !set.some(s => meet(s, b)); };
      const steps = text.matches(".height") ? [0, 1, 2] : [0, 1, -1, 2, -2, 3, -3, 4, -4, 5, -5, 6, -6, 7, -7, 8, -8];
      const n = steps.find(free);
      text.style.visibility = n === undefined ? "hidden" : ""; // its figure stands on the card too
      if (n === undefined) continue;
      if (n || dx) text.setAttribute("transform", `translate(${(dx * per).toFixed(2)} ${(n * tall / 2 * per).toFixed(2)})`);
      set.push(moved(n));
    }
  };
  const drawings = $$("svg.drawing");
  const fit = () => drawings.forEach(svg => scale(svg, +svg.dataset.width));
  if ("ResizeObserver" in window) {
    const watch = new ResizeObserver(list => list.forEach(e => scale(e.target, +e.target.dataset.width)));
    drawings.forEach(svg => watch.observe(svg));
  } else { addEventListener("resize", fit); }
  fit();

  // ---- map
  const map = $("#map-svg"), pane = $("#map-window"), alt = $("#map-alt");
  const all = map.dataset.view.split(" ").map(Number);
  let wanted = all, view = all.slice(); // what was asked for, and that grown to the window
  const shape = () => { const r = pane.getBoundingClientRect(); return [r.width || 1, r.height || 1]; };
  const fitted = box => { // the box grown to the window's shape
    const [w, h] = shape(), k = Math.max(box[2] / w, box[3] / h);
    return [box[0] + box[2] / 2 - k * w / 2, box[1] + box[3] / 2 - k * h / 2, k * w, k * h];
  };
  const nice = most => { // largest 1, 2 or 5 times a power of ten
    const p = 10 ** Math.floor(Math.log10(most));
    return [5, 2, 1].map(n => n * p).find(n => n <= most) || p;
  };
  const draw = () => {
    map.setAttribute("viewBox", view.map(v => v.toFixed(2)).join(" "));
    const perPixel = view[2] / shape()[0];
    map.style.setProperty("--u", perPixel.toPrecision(5));
    for (const id of ["wet", "water", "caution"]) { // hatches keep their size too
      const turn = id === "caution" ? " rotate(45)" : "";
      $(`#hatch-${id}`).setAttribute("patternTransform", `scale(${(perPixel * 10).toFixed(3)})${turn}`);
    }
    for (const [unit, size] of [["m", 1], ["ft", .3048]]) {
      const n = nice(perPixel * 120 / size), bar = $(`#map-scale [data-unit=${unit}]`);
      bar.style.width = `${n * size / perPixel}px`;
      bar.textContent = `${n} ${unit}`;
    }
  };
  const zoom = (factor, at) => {
    const [w, h] = shape();
    const x = at ? view[0] + view[2] * at[0] / w : view[0] + view[2] / 2;
    const y = at ? view[1] + view[3] * at[1] / h : view[1] + view[3] / 2;
    const wide = Math.min(Math.max(view[2] * factor, 25), all[2] * 4), f = wide / view[2];
    view = [x - (x - view[0]) * f, y - (y - view[1]) * f, view[2] * f, view[3] * f];
    wanted = view;
    draw();
  };
  const move = (dx, dy) => { // in pixels
    const [w] = shape(), k = view[2] / w;
    view[0] = Math.min(Math.max(view[0] - dx * k, all[0] - view[2] * .8), all[0] + all[2] - view[2] * .2);
    view[1] = Math.min(Math.max(view[1] - dy * k, all[1] - view[3] * .8), all[1] + all[3] - view[3] * .2);
    wanted = view;
    draw();
  };
  const look = box => { wanted = box; view = fitted(box); draw(); };
  const showAll = () => look(all);
  let size = "", printing = false;
  const resized = () => {
    if (printing) return;
    const now = shape().map(Math.round).join();
    if (now === size) return;
    size = now;
    look(wanted);
  };
  map.setAttribute("preserveAspectRatio", "none");
  showAll();
  size = shape().map(Math.round).join();
  if ("ResizeObserver" in window) new ResizeObserver(resized).observe(pane);

  $$("[data-map]").forEach(b => b.addEventListener("click", () => {
    b.dataset.map === "all" ? showAll() : zoom(b.dataset.map === "in" ? .62 : 1.6);
  }));
  pane.addEventListener("keydown", e => {
    const step = { ArrowLeft: [60, 0], ArrowRight: [-60, 0], ArrowUp: [0, 60], ArrowDown: [0, -60] }[e.key];
    if (e.target !== pane && !e.target.closest("a.hole")) return;
    if (step) move(...step);
    else if (e.key === "+" || e.key === "=") zoom(.62);
    else if (e.key === "-") zoom(1.6);
    else if (e.key === "0") showAll();
    else return;
    e.preventDefault();
  });
  pane.addEventListener("wheel", e => {
    if (!e.ctrlKey && !e.metaKey) return; // else the page scrolls
    e.preventDefault();
    const r = pane.getBoundingClientRect();
    zoom(Math.exp(Math.sign(e.deltaY) * .18), [e.clientX - r.left, e.clientY - r.top]);
  }, { passive: false });
  const held = new Map();
  let far = false;
  pane.addEventListener("pointerdown", e => {
    if (e.target.closest("button")) return;
    held.set(e.pointerId, [e.clientX, e.clientY]);
    if (held.size === 1) far = false;
  });
  pane.addEventListener("pointermove", e => {
    const was = held.get(e.pointerId);
    if (!was) return;
    const now = [e.clientX, e.clientY];
    if (held.size === 1) {
      if (!far && Math.hypot(now[0] - was[0], now[1] - was[1]) < 4) return;
      if (!far) { far = true; pane.setPointerCapture(e.pointerId); }
      move(now[0] - was[0], now[1] - was[1]);
    } else if (held.size === 2) {
      far = true;
      const other = [...held].find(([id]) => id !== e.pointerId)[1], r = pane.getBoundingClientRect();
      const before = Math.hypot(was[0] - other[0], was[1] - other[1]);
      const after = Math.hypot(now[0] - other[0], now[1] - other[1]);
      if (before && after) zoom(before / after, [(now[0] + other[0]) / 2 - r.left, (now[1] + other[1]) / 2 - r.top]);
      move((now[0] - was[0]) / 2, (now[1] - was[1]) / 2);
    }
    held.set(e.pointerId, now);
  });
  for (const end of ["pointerup", "pointercancel"]) addEventListener(end, e => held.delete(e.pointerId));
  pane.addEventListener("click", e => { if (far) { e.preventDefault(); far = false; } }, true);
  map.addEventListener("dragstart", e => e.preventDefault());

  // The land under the pointer, under a finger, or in the middle of the map where keys move it
  const bytes = text => Uint8Array.from(atob(text), c => c.charCodeAt(0));
  const unzip = text => new Response(new Blob([bytes(text)]).stream().pipeThrough(new DecompressionStream("gzip")));
  const value = $("#map-value"), cross = $("#map-cross");
  let values;
  const land = () => values ||= (async () => {
    const v = JSON.parse($("#values").textContent), n = v.rows * v.cols;
    const all = await unzip(v.packed).arrayBuffer();
    return { ...v, ground: new Uint16Array(all, 0, n), slope: new Uint8Array(all, 2 * n, n), canopy: new Uint8Array(all, 3 * n, n) };
  })();
  const length = (m, digits, feet) => { // as Python writes lengths on this page
    const both = [`${m.toFixed(digits)}\u202fm`, `${(m / .3048).toFixed(0)}\u202fft`];
    if (feet) both.reverse();
    return `${both[0]} (${both[1]})`;
  };
  const read = async (px, py, aloud) => {
    const [w, h] = shape(), x = view[0] + view[2] * px / w, y = view[1] + view[3] * py / h;
    const v = await land(), col = Math.floor(x / v.cell), row = Math.floor(y / v.cell), i = row * v.cols + col;
    const inside = row >= 0 && col >= 0 && row < v.rows && col < v.cols && v.ground[i];
    value.setAttribute("aria-live", aloud ? "polite" : "off");
    value.textContent = inside ? `Ground ${length(v.low + (v.ground[i] - 1) / 10, 1, v.feet)}` +
      (v.slope[i] < 255 ? `, slope ${v.slope[i]}\u202f%` : "") +
      (v.canopy[i] < 255 ? `, canopy ${v.canopy[i] ? length(v.canopy[i] / 4, 0, v.feet) : "none"}` : "") : "Ground not known here";
  };
  const place = e => { const r = pane.getBoundingClientRect(); return [e.clientX - r.left, e.clientY - r.top]; };
  if ("DecompressionStream" in window) {
    for (const kind of ["pointermove", "pointerdown"]) pane.addEventListener(kind, e => {
      if (e.target.closest("button")) return;
      cross.hidden = true;
      read(...place(e), false);
    });
    pane.addEventListener("keyup", e => {
      if (e.target !== pane || !/^(Arrow|[-+=0])/.test(e.key)) return;
      cross.hidden = false;
      read(...shape().map(n => n / 2), true);
    });
    pane.addEventListener("blur", () => { cross.hidden = true; });
    pane.addEventListener("pointerleave", e => { if (e.pointerType === "mouse") value.textContent = ""; });
  }

  // Layers
  const legend = $("#legend");
  if (matchMedia("(max-width: 40rem)").matches) legend.open = false;
  const setLayers = () => {
    const chosen = name => (legend.querySelector(`input[name=${name}]:checked`) || {}).value || "";
    $$("use.surface", map).forEach(u => u.toggleAttribute("hidden", u.dataset.layer !== chosen("surface")));
    $$("[data-legend]", legend).forEach(d => { d.hidden = d.dataset.legend !== chosen("surface"); });
    $$("input[name=layer]", legend).forEach(box =>
      $$(`[data-layer="${box.value}"]`, map).forEach(g => g.toggleAttribute("hidden", !box.checked)));
    $$("[data-proposal]", map).forEach(g => g.toggleAttribute("hidden", g.dataset.proposal !== chosen("proposal")));
  };
  legend.addEventListener("change", setLayers);
  setLayers();

  // From a card to its hole on the map, and from the map to the card
  const show = key => {
    $$(".hole.shown", map).forEach(a => a.classList.remove("shown"));
    const links = $$(`.hole[data-key="${CSS.escape(key)}"]`, map);
    if (!links.length) return;
    const link = links.find(a => !a.closest("[hidden]")) || links[0];
    const group = link.closest("[data-proposal]").dataset.proposal;
    const radio = $(`input[name=proposal][value="${group}"]`, legend);
    if (radio && !radio.checked) { radio.checked = true; setLayers(); }
    links.forEach(a => a.classList.add("shown"));
    const b = $(".line", link).getBBox(), room = Math.max(b.width, b.height, 400) / 10 * .45;
    look([b.x / 10 - room, b.y / 10 - room, b.width / 10 + 2 * room, b.height / 10 + 2 * room]);
    alt.textContent = link.dataset.alt;
    return link;
  };
  $$("[data-show]").forEach(a => a.addEventListener("click", () => {
    const link = show(a.dataset.show);
    if (link) setTimeout(() => link.focus({ preventScroll: true }), 60);
  }));
  map.addEventListener("pointerover", e => {
    const link = e.target.closest("a.hole");
    if (link) alt.textContent = link.dataset.alt;
  });
  addEventListener("hashchange", () => {
    goTo();
  });
  const goTo = () => {
    const card = document.getElementById(decodeURIComponent(location.hash.slice(1)));
    if (!card || !card.matches(".card")) return;
    const folded = card.closest("details.group:not([open])");
    if (folded) { folded.open = true; card.scrollIntoView(); }
    card.focus({ preventScroll: true });
  };
  goTo();

  // ---- tables that sort
  for (const table of $$("table.sortable")) {
    const body = table.tBodies[0], heads = $$("thead th", table);
    heads.forEach((head, column) => $("button", head).addEventListener("click", () => {
      const up = head.getAttribute("aria-sort") !== "ascending";
      heads.forEach(h => h.removeAttribute("aria-sort"));
      head.setAttribute("aria-sort", up ? "ascending" : "descending");
      const value = row => {
        const cell = row.cells[column], n = parseFloat(cell.dataset.value);
        return Number.isNaN(n) ? cell.textContent.trim() : n;
      };
      const compare = (a, b) => typeof a === "number" && typeof b === "number"
        ? a - b : String(a).localeCompare(String(b), "en", { numeric: true });
      const rows = [...body.rows].map(row => [value(row), row]);
      rows.sort((a, b) => up ? compare(a[0], b[0]) : compare(b[0], a[0]));
      body.append(...rows.map(r => r[1]));
    }));
  }

  // ---- where the reader is
  if ("IntersectionObserver" in window) {
    const links = new Map($$(".parts a").map(a => [a.hash.slice(1), a]));
    const seen = new IntersectionObserver(list => list.forEach(e => {
      if (!e.isIntersecting) return;
      links.forEach(a => a.removeAttribute("aria-current"));
      const here = links.get(e.target.id);
      if (here) here.setAttribute("aria-current", "true");
    }), { rootMargin: "-30% 0px -65% 0px" });
    $$("main > section").forEach(s => seen.observe(s));
  }

  // ---- a hole in space
  const metres = text => Array.from(new Int16Array(bytes(text).buffer), v => v / 10);
  let library;
  const plotter = () => library ||= (async () => {
    const script = document.createElement("script");
    script.textContent = await unzip($("#plotter").textContent.trim()).text();
    document.head.append(script);
    return window.Plotly;
  })();
  const threes = text => {
    const flat = metres(text), out = { x: [], y: [], z: [] };
    for (let i = 0; i < flat.length; i += 3) { out.x.push(flat[i]); out.y.push(flat[i + 1]); out.z.push(flat[i + 2]); }
    return out;
  };
  const behind = data => { // from behind the tee, along the throw
    const f = threes(data.flights[0]), end = f.x.length - 1;
    const dx = f.x[end] - f.x[0], dy = f.y[end] - f.y[0], n = Math.hypot(dx, dy) || 1;
    return { x: -1.45 * dx / n + .5 * dy / n, y: -1.45 * dy / n - .5 * dx / n, z: .85 };
  };
  const ratio = (data, ground) => { // true to scale, the longest side as long as the view likes it
    const wide = a => Math.max(...a) - Math.min(...a);
    const high = wide([...ground.flat(), ...data.flights.flatMap(f => threes(f).z), ...(data.points ? threes(data.points).z : [])]);
    const sides = [wide(metres(data.xs)), wide(metres(data.ys)), high], most = Math.max(...sides) / 1.5;
    return { x: sides[0] / most, y: sides[1] / most, z: sides[2] / most };
  };
  let spaces;
  const open = async (button, pane) => {
    spaces ||= JSON.parse($("#spaces").textContent);
    const data = spaces[button.closest(".space").dataset.space];
    const Plotly = await plotter();
    const [rows, cols] = data.shape, flat = metres(data.ground);
    const ground = Array.from({ length: rows }, (_, r) => flat.slice(r * cols, (r + 1) * cols));
    const traces = [{
      type: "surface", x: metres(data.xs), y: metres(data.ys), z: ground, showscale: false, hoverinfo: "skip",
      colorscale: [[0, "#b9ab8d"], [1, "#f1e9d6"]], name: "ground",
      contours: { z: { show: true, start: -50, end: 50, size: 1, color: "#8b7654", width: 1 } },
      lighting: { ambient: .65, diffuse: .6, specular: .02, roughness: 1 },
    }];
    if (data.points) {
      traces.push({
        type: "scatter3d", mode: "markers", ...threes(data.points), name: "growth", hoverinfo: "skip",
        marker: {
          size: 2.2, opacity: .75, color: metres(data.heights), cmin: 0, cmax: 16, showscale: innerWidth > 700,
          colorscale: [[0, "#5b3a1d"], [.2, "#8a7a35"], [.5, "#6b9457"], [1, "#cfe3c0"]],
          colorbar: { title: { text: "m over ground" }, thickness: 10, len: .55 },
        },
      });
    }
    (data.bundle || []).forEach((b, i) => traces.push({
      type: "scatter3d", mode: "lines", ...threes(b), line: { color: "#c98a63", width: 1.5 }, opacity: .6,
      hoverinfo: "skip", showlegend: i === 0, legendgroup: "bundle", name: "other throws",
    }));
    data.flights.forEach((f, i) => traces.push({
      type: "scatter3d", mode: "lines", ...threes(f), line: { color: "#8c3213", width: 7 },
      name: `throw ${i + 1}`, hoverinfo: "name",
    }));
    const axis = title => ({ title: { text: title }, backgroundcolor: "#fffdf8", gridcolor: "#ddd5c3", zeroline: false });
    await Plotly.newPlot(pane, traces, {
      margin: { l: 0, r: 0, t: 0, b: 0 }, paper_bgcolor: "#fffdf8", font: { size: 11 },
      legend: { x: 0, y: 1, bgcolor: "rgba(255,253,248,.8)" },
      scene: {
        aspectmode: "manual", aspectratio: ratio(data, ground), xaxis: axis("east, m"), yaxis: axis("north, m"), zaxis: axis("up, m"),
        camera: { eye: behind(data) },
      },
    }, { displaylogo: false, responsive: true, displayModeBar: false });
  };
  $$(".open-space").forEach(button => button.addEventListener("click", async () => {
    const pane = button.nextElementSibling, help = pane.nextElementSibling;
    const opening = pane.hidden;
    pane.hidden = help.hidden = !opening;
    button.setAttribute("aria-expanded", String(opening));
    button.textContent = opening ? "Close the 3-D view" : "Turn it in 3-D";
    if (!opening || pane.dataset.done) return;
    pane.dataset.done = "1";
    try { await open(button, pane); } catch (error) {
      pane.textContent = "This browser cannot show the view: " + error.message;
    }
  }));

  // ---- paper
  // Paper has a shape of its own that no script knows of: the map shows all, whatever it is.
  addEventListener("beforeprint", () => {
    printing = true;
    map.setAttribute("preserveAspectRatio", "xMidYMid meet");
    map.setAttribute("viewBox", all.join(" "));
    map.style.setProperty("--u", (Math.max(all[2] / 680, all[3] / 560)).toPrecision(5));
  });
  addEventListener("afterprint", () => {
    printing = false;
    map.setAttribute("preserveAspectRatio", "none");
    look(wanted);
  });
})();
