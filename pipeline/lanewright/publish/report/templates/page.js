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
  // Numbers of holes turn about their tees and features step aside until none lies on another or, where
  // that can be, on a line of play; a feature without room is a dot. All in pixels of the window.
  const tags = $$(".tag", map), homes = tags.map(tag => tag.getAttribute("transform"));
  const around = (turns, reaches) => reaches.flatMap(r => turns.map(t => [r * Math.cos(t * Math.PI / 180), r * Math.sin(t * Math.PI / 180)]));
  const TURNS = [0, 40, -40, 80, -80, 120, -120], EIGHT = [0, 45, 90, 135, 180, 225, 270, 315];
  const label = () => {
    const per = view[2] / shape()[0], frame = pane.getBoundingClientRect();
    const box = (x, y, w, h) => ({ left: x - w / 2, right: x + w / 2, top: y - h / 2, bottom: y + h / 2 });
    const seen = e => !e.closest("[hidden]");
    const placed = e => {
      const r = e.getBoundingClientRect();
      return { left: r.left - frame.left, right: r.right - frame.left, top: r.top - frame.top, bottom: r.bottom - frame.top };
    };
    const taken = $$(".flown, .north, .scalebar, .mapbuttons, .arrival", pane).map(placed);
    const onLines = $$(".hole .line", map).filter(seen).flatMap(line => {
      const n = Math.max(2, Math.ceil(line.getTotalLength() / 10 / per / 8));
      return [...Array(n + 1).keys()].map(k => line.getPointAtLength(k / n * line.getTotalLength()))
        .map(p => [(p.x / 10 - view[0]) / per, (p.y / 10 - view[1]) / per]);
    });
    onLines.push(...$$(".lesser", map).filter(seen).map(placed).map(b => [(b.left + b.right) / 2, (b.top + b.bottom) / 2]));
    for (const tag of tags.filter(seen)) {
      const [x, y] = tag.dataset.at.split(" ").map(Number), at = [(x - view[0]) / per, (y - view[1]) / per];
      const sign = $("rect, circle", tag), round = sign.matches("circle"), size = sign.getBBox();
      const ways = round ? [[0, 0], ...around(EIGHT, [14, 26])]
        : around(TURNS.map(t => t + 180 + +tag.dataset.turn), [17, 29, 41]);
      const costs = ways.map(([dx, dy]) => {
        const own = box(at[0] + dx, at[1] + dy, size.width + 2, size.height + 2);
        const on = taken.filter(t => meet(t, own)).length;
        return 1000 * on + onLines.filter(([a, b]) => a > own.left && a < own.right && b > own.top && b < own.bottom).length;
      });
      const least = Math.min(...costs), [dx, dy] = ways[costs.indexOf(least)], dot = round && least >= 1000;
      tag.classList.toggle("dot", dot);
      tag.setAttribute("transform", dot ? "translate(0 0)" : `translate(${dx.toFixed(1)} ${dy.toFixed(1)})`);
      if (!dot) taken.push(box(at[0] + dx, at[1] + dy, size.width, size.height));
    }
    const signs = tags.filter(seen).map(tag => placed($("rect, circle", tag))); // dots as well
    for (const text of $$("text.height", map).filter(seen)) {
      text.style.visibility = "";
      const own = placed(text);
      if ([...taken, ...signs].some(t => meet(t, own))) text.style.visibility = "hidden";
    }
  };
  let labelling = 0;
  const draw = (anew = true) => {
    cancelAnimationFrame(labelling);
    if (anew) labelling = requestAnimationFrame(label); // labels that jumped while the map is dragged would confuse
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
    draw(false);
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
  legend.addEventListener("change", () => { setLayers(); label(); });
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
  // Along the throws, to the left of them, and up: a hole lies the same way in every view.
  const turned = data => {
    const first = threes(data.flights[0]), last = threes(data.flights[data.flights.length - 1]), end = last.x.length - 1;
    const dx = last.x[end] - first.x[0], dy = last.y[end] - first.y[0], n = Math.hypot(dx, dy) || 1;
    const turn = (x, y) => [(x * dx + y * dy) / n, (y * dx - x * dy) / n];
    const line = text => {
      const flat = threes(text), both = flat.x.map((x, i) => turn(x, flat.y[i]));
      return { x: both.map(b => b[0]), y: both.map(b => b[1]), z: flat.z };
    };
    const [rows, cols] = data.shape, flat = metres(data.ground), xs = metres(data.xs), ys = metres(data.ys);
    const grid = value => Array.from({ length: rows }, (_, r) => Array.from({ length: cols }, (_, c) => value(r, c)));
    const ground = {
      x: grid((r, c) => turn(xs[c], ys[r])[0]), y: grid((r, c) => turn(xs[c], ys[r])[1]), z: grid((r, c) => flat[r * cols + c]),
    };
    return { ground, line, flights: data.flights.map(line) };
  };
  const TALL = 1.75; // m, a person beside the tee for scale
  const person = (x, y, z) => { // strokes of a figure, parted by gaps
    const at = (left, up) => [x, y + left, z + up], gap = [null, null, null];
    const points = [
      at(-.22, 0), at(0, .8), at(.22, 0), gap, at(0, .8), at(0, 1.45), gap, at(-.35, .9), at(0, 1.38), at(.35, .9), gap, at(0, 1.45), at(0, TALL),
    ];
    return { x: points.map(q => q[0]), y: points.map(q => q[1]), z: points.map(q => q[2]) };
  };
  const marked = (low, high, feet) => { // five or so values in the first unit, with the second
    const [size, unit, other, more] = feet ? [.3048, "ft", 1, "m"] : [1, "m", .3048, "ft"];
    const step = nice((high - low) / size / 2.4), values = [];
    for (let v = Math.ceil(low / size / step) * step; v <= high / size; v += step) values.push(v);
    return { tickvals: values.map(v => v * size), ticktext: values.map(v => `${v}\u202f${unit} (${(v * size / other).toFixed(0)}\u202f${more})`) };
  };
  const WIDE = 18, SLICE = 3; // m shown to each side of the throws; the same where the wood is cut
  const lookFrom = (which, seen, pane) => { // ranges, proportions and the eye of a view
    const { ends, sides, up, tee, basket } = seen, cut = which === "side" ? SLICE : WIDE;
    const ranges = [[ends[0] - 6, ends[1] + 10], [sides[0] - cut, sides[1] + cut], [up[0] - 1, up[1] + 2]];
    const size = ranges.map(r => r[1] - r[0]), wide = pane.clientWidth / pane.clientHeight;
    const most = Math.max(...size) / (which === "side" ? 1.45 * wide : 1.6); // a slice fills the pane's width
    const spot = (...place) => Object.fromEntries(["x", "y", "z"].map((k, i) => [k, (place[i] - (ranges[i][0] + ranges[i][1]) / 2) / most]));
    const camera = {
      behind: { eye: { x: -1.7, y: -.6, z: 1.05 }, center: { x: 0, y: 0, z: -.12 }, projection: { type: "perspective" } },
      tee: { eye: spot(tee[0] - 8, tee[1] - .5, tee[2] + 2.2), center: spot(basket[0], basket[1], basket[2] + 1), projection: { type: "perspective" } },
      side: { eye: { x: 0, y: -2, z: .02 }, center: { x: 0, y: 0, z: 0 }, projection: { type: "orthographic" } },
    }[which];
    return { ranges, aspect: { x: size[0] / most, y: size[1] / most, z: size[2] / most }, camera: { up: { x: 0, y: 0, z: 1 }, ...camera } };
  };
  const ranged = (data, shown) => {
    const every = shown.flights, all = k => every.flatMap(f => f[k]);
    const first = every[0], last = every[every.length - 1], end = last.x.length - 1;
    const high = data.points ? Math.max(...threes(data.points).z) : 0;
    const near = shown.ground.z.flat().filter((z, i) => {
      const x = shown.ground.x.flat()[i], y = shown.ground.y.flat()[i];
      return x > -6 && x < last.x[end] + 10 && Math.abs(y) < WIDE;
    });
    return {
      ends: [Math.min(...all("x")), Math.max(...all("x"))], sides: [Math.min(...all("y")), Math.max(...all("y"))],
      up: [Math.min(...near), Math.max(high, ...all("z"))],
      tee: [first.x[0], first.y[0], first.z[0] - 1.4], basket: [last.x[end], last.y[end], last.z[end]],
    };
  };
  let spaces;
  const open = async (button, pane) => {
    spaces ||= JSON.parse($("#spaces").textContent);
    const data = spaces[button.closest(".space").dataset.space], feet = JSON.parse($("#values").textContent).feet;
    const Plotly = await plotter(), shown = turned(data), seen = ranged(data, shown);
    const traces = [{
      type: "surface", ...shown.ground, showscale: false, hoverinfo: "skip",
      colorscale: [[0, "#b9ab8d"], [1, "#f1e9d6"]], name: "ground",
      contours: { z: { show: true, start: -50, end: 50, size: 1, color: "#8b7654", width: 1 } },
      lighting: { ambient: .65, diffuse: .6, specular: .02, roughness: 1 },
    }];
    if (data.points) {
      traces.push({
        type: "scatter3d", mode: "markers", ...shown.line(data.points), name: "growth", hoverinfo: "skip",
        marker: {
          size: 2.2, opacity: .75, color: metres(data.heights), cmin: 0, cmax: 16, showscale: innerWidth > 700,
          colorscale: [[0, "#5b3a1d"], [.2, "#8a7a35"], [.5, "#6b9457"], [1, "#cfe3c0"]],
          colorbar: { title: { text: `${feet ? "ft" : "m"} over ground` }, thickness: 10, len: .55, ...marked(0, 16, feet) },
        },
      });
    }
    (data.bundle || []).forEach((b, i) => traces.push({
      type: "scatter3d", mode: "lines", ...shown.line(b), line: { color: "#c98a63", width: 1.5 }, opacity: .6,
      hoverinfo: "skip", showlegend: i === 0, legendgroup: "bundle", name: "other throws",
    }));
    shown.flights.forEach((f, i) => traces.push({
      type: "scatter3d", mode: "lines", ...f, line: { color: "#8c3213", width: 7 },
      name: `throw ${i + 1}`, hoverinfo: "name",
    }));
    const ink = { color: "#1d201a", width: 5 }, [bx, by, bz] = seen.basket;
    traces.push({ type: "scatter3d", mode: "lines", ...person(seen.tee[0], seen.tee[1] + 2, seen.tee[2]), line: ink, hoverinfo: "skip", name: `person, ${feet ? "5 ft 9 in (1.75 m)" : "1.75 m (5 ft 9 in)"}` });
    traces.push({ type: "scatter3d", mode: "lines", x: [bx, bx], y: [by, by], z: [bz - .9, bz + .5], line: { color: "#c79a1e", width: 9 }, hoverinfo: "skip", name: "basket" });
    const names = ["along the throws", "to the left", "over the tee"];
    const [low, high] = lookFrom("side", seen, pane).ranges[1];
    const cutThrough = trace => { // ground and growth beside the slice left out
      if (trace.type === "surface") return { ...trace, z: trace.z.map((row, r) => row.map((z, c) => trace.y[r][c] < low - 1 || trace.y[r][c] > high + 1 ? null : z)) };
      if (trace.name !== "growth") return trace;
      const kept = trace.y.map((y, i) => i).filter(i => trace.y[i] >= low && trace.y[i] <= high), some = list => kept.map(i => list[i]);
      return { ...trace, x: some(trace.x), y: some(trace.y), z: some(trace.z), marker: { ...trace.marker, size: 3.4, color: some(trace.marker.color) } };
    };
    const sceneOf = which => {
      const { ranges, aspect, camera } = lookFrom(which, seen, pane), scene = { aspectmode: "manual", aspectratio: aspect, camera };
      ["xaxis", "yaxis", "zaxis"].forEach((name, i) => {
        scene[name] = {
          title: { text: which === "side" && i === 1 ? "" : names[i] }, range: ranges[i], ...marked(...ranges[i], feet),
          showticklabels: which !== "side" || i !== 1, tickangle: 0, backgroundcolor: "#fffdf8", gridcolor: "#ddd5c3", zeroline: false, visible: which !== "tee",
        };
      });
      return scene;
    };
    const layout = which => ({
      margin: { l: 0, r: 0, t: 0, b: 0 }, paper_bgcolor: "#fffdf8", font: { size: 11 },
      legend: { x: 0, y: 1, bgcolor: "rgba(255,253,248,.8)" }, scene: sceneOf(which),
    });
    await Plotly.newPlot(pane, traces, layout("behind"), { displaylogo: false, responsive: true, displayModeBar: false });
    const views = $$("[data-view-from]", pane.parentElement);
    views.forEach(choice => choice.addEventListener("click", async () => {
      views.forEach(other => other.setAttribute("aria-pressed", String(other === choice)));
      const which = choice.dataset.viewFrom;
      await Plotly.react(pane, which === "side" ? traces.map(cutThrough) : traces, layout(which));
      await Plotly.relayout(pane, { "scene.yaxis.range": lookFrom(which, seen, pane).ranges[1] }); // react keeps the old one
    }));
  };
  $$(".open-space").forEach(button => button.addEventListener("click", async () => {
    const [views, pane, help] = [".space-views", ".space-window", ".space-help"].map(part => $(part, button.parentElement));
    const opening = pane.hidden;
    views.hidden = pane.hidden = help.hidden = !opening;
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
  // The work of the first proposal is folded on the screen, for each card has its own.
  const crew = document.querySelector("#crew details");
  addEventListener("beforeprint", () => {
    printing = true;
    crew?.setAttribute("open", "");
    tags.forEach((tag, i) => { // as they were placed for a map of that size
      tag.classList.remove("dot");
      homes[i] ? tag.setAttribute("transform", homes[i]) : tag.removeAttribute("transform");
    });
    $$("text.height", map).forEach(text => { text.style.visibility = ""; });
    map.setAttribute("preserveAspectRatio", "xMidYMid meet");
    map.setAttribute("viewBox", all.join(" "));
    map.style.setProperty("--u", (Math.max(all[2] / 680, all[3] / 560)).toPrecision(5));
  });
  addEventListener("afterprint", () => {
    printing = false;
    crew?.removeAttribute("open");
    map.setAttribute("preserveAspectRatio", "none");
    look(wanted);
  });
})();
