"use strict";
(function () {
  const NOTHING = 65535, TICKS = 1e4, BAND = 1.96, RING = 2.4477, TAIL = 3;
  const EDGE = { l: 50, r: 38, t: 6, b: 22 };
  const data = JSON.parse(document.getElementById("review-data").textContent);
  const at = (id) => document.getElementById(id);
  const minus = (text) => text.replace("-", "−");
  const signed = (v, digits) => (v < 0 ? "−" : "+") + Math.abs(v).toFixed(digits);

  // ---- the numbers ----
  const bytes = (text) => {
    if (Uint8Array.fromBase64) return Uint8Array.fromBase64(text);
    const raw = atob(text), out = new Uint8Array(raw.length);
    for (let i = 0; i < raw.length; i++) out[i] = raw.charCodeAt(i);
    return out;
  };
  const numbers = (packed) => {
    const whole = new Uint16Array(bytes(packed.data).buffer), out = new Float64Array(whole.length);
    for (let i = 0; i < whole.length; i++) out[i] = whole[i] === NOTHING ? NaN : packed.low + whole[i] * packed.step;
    return out;
  };
  const times = (text, base) => Float64Array.from(new Uint32Array(bytes(text).buffer), (ticks) => base + ticks / TICKS);
  const base = data.base_s - data.clock_s;
  const lazily = (make) => { let held; return () => (held === undefined ? (held = make()) : held); };
  const channels = (from) => {
    const made = {};
    for (const name of Object.keys(from)) made[name] = lazily(() => numbers(from[name]));
    return made;
  };
  const T = times(data.time, base), media = times(data.media, 0), count = T.length;
  const low = channels(data.low), high = data.per_bin > 1 ? channels(data.high) : low, newest = channels(data.newest);
  const gyro = lazily(() => ({ time: times(data.gyro.time, base), low: data.gyro.low.map(numbers), high: data.gyro.high.map(numbers) }));
  const ranges = lazily(() => ({ time: times(data.range.time, base), low: numbers(data.range.low), high: numbers(data.range.high) }));
  const reference = lazily(() => (data.reference ? data.reference.map(numbers) : null));
  const stretches = data.stretches.map(([begin, end, status]) => ({ begin: begin - data.clock_s, end: end - data.clock_s, status }));
  const points = lazily(() => {
    const held = at("review-points").textContent.trim(), counts = newest.points(), first = new Uint32Array(count + 1);
    for (let i = 0; i < count; i++) first[i + 1] = first[i] + Math.round(counts[i]);
    return { bytes: bytes(held), first };
  });

  const after = (list, value) => { // first place whose value is beyond
    let a = 0, b = list.length;
    while (a < b) { const m = (a + b) >> 1; if (list[m] > value) b = m; else a = m + 1; }
    return a;
  };
  const nearest = (list, value) => {
    const k = after(list, value);
    if (k === 0) return 0;
    if (k === list.length) return k - 1;
    return value - list[k - 1] <= list[k] - value ? k - 1 : k;
  };

  // ---- state: one cursor, one view ----
  const start = T[0], end = T[count - 1], whole = Math.max(end - start, 0.02);
  const leastView = Math.min(whole, 0.1);
  let here = 0, view = [start, start + whole], scrubbing = false;
  const video = at("video");
  let playable = true;

  const seek = (index, { fromVideo = false } = {}) => {
    here = Math.max(0, Math.min(count - 1, index));
    if (!fromVideo && playable) {
      const next = here + 1 < count ? media[here + 1] - media[here] : 0.01;
      video.currentTime = media[here] + Math.min(0.002, next / 4);
    }
    if (fromVideo && !scrubbing && (T[here] > view[1] || T[here] < view[0])) {
      const width = view[1] - view[0];
      setView(T[here] - 0.05 * width, T[here] + 0.95 * width);
    }
    requestDraw(false);
  };
  const seekTime = (time) => seek(nearest(T, time));
  const setView = (a, b) => {
    const width = Math.min(whole, Math.max(leastView, b - a)), centre = (a + b) / 2;
    a = Math.max(start, Math.min(start + whole - width, centre - width / 2));
    view = [a, a + width];
    requestDraw(true);
  };
  const zoom = (factor, around) => {
    const [a, b] = view;
    setView(around - (around - a) * factor, around + (b - around) * factor);
  };

  let asked = false, askedCharts = false, hashTimer = 0;
  const requestDraw = (charts) => {
    askedCharts = askedCharts || charts;
    if (asked) return;
    asked = true;
    requestAnimationFrame(() => {
      asked = false;
      if (askedCharts) { askedCharts = false; drawCharts(); drawWhole(); }
      drawCursor();
    });
  };

  // ---- thinning: the smallest and the largest of each column of pixels, in the order in which they came ----
  const span = (time, a, b) => [Math.max(0, after(time, a) - 2), Math.min(time.length, after(time, b) + 2)];
  const thin = (time, lower, upper, a, b, px) => {
    const [first, last] = span(time, a, b), x = [], y = [];
    if (last - first <= 2 * px) {
      for (let i = first; i < last; i++) {
        x.push(time[i]);
        y.push(Number.isNaN(lower[i]) ? null : lower[i]);
        if (upper !== lower && upper[i] !== lower[i] && !Number.isNaN(upper[i])) { x.push(time[i]); y.push(upper[i]); }
      }
      return { x, y };
    }
    let column = null, least = -1, most = -1, edge = 0;
    const put = () => {
      if (column === null) return;
      if (least < 0) { x.push(edge); y.push(null); return; }
      const pair = least <= most ? [[least, lower], [most, upper]] : [[most, upper], [least, lower]];
      for (const [i, list] of pair) { x.push(time[i]); y.push(list[i]); }
    };
    for (let i = first; i < last; i++) {
      const c = Math.floor((time[i] - a) / (b - a) * px);
      if (c !== column) { put(); column = c; least = most = -1; edge = time[i]; }
      if (Number.isNaN(lower[i])) continue;
      if (least < 0 || lower[i] < lower[least]) least = i;
      if (most < 0 || upper[i] > upper[most]) most = i;
    }
    put();
    return { x, y };
  };
  const thinBand = (time, lower, upper, sigma, a, b, px) => { // closed outlines, one for each stretch without a hole
    const [first, last] = span(time, a, b), x = [], y = [];
    let column = null, xs = [], top = [], bottom = [];
    const close = () => {
      if (xs.length) {
        x.push(...xs, ...xs.slice().reverse(), null);
        y.push(...top, ...bottom.reverse(), null);
      }
      xs = []; top = []; bottom = []; column = null;
    };
    for (let i = first; i < last; i++) {
      const reach = BAND * sigma[i];
      if (Number.isNaN(lower[i]) || Number.isNaN(reach)) { close(); continue; }
      const c = Math.floor((time[i] - a) / (b - a) * px), n = xs.length - 1;
      if (c === column) {
        top[n] = Math.max(top[n], upper[i] + reach);
        bottom[n] = Math.min(bottom[n], lower[i] - reach);
      } else {
        column = c; xs.push(time[i]); top.push(upper[i] + reach); bottom.push(lower[i] - reach);
      }
    }
    close();
    return { x, y };
  };

  // ---- charts ----
  const ink = () => {
    const style = getComputedStyle(document.documentElement), get = (name) => style.getPropertyValue(name).trim();
    return { one: get("--ink-1"), two: get("--ink-2"), three: get("--ink-3"), band: get("--band"), ink: get("--ink"), soft: get("--soft"),
      line: get("--line"), sheet: get("--sheet"), no: get("--no"), yes: get("--yes"), paper: get("--paper"), mark: get("--mark") };
  };
  let c = ink();
  const line = (xy, colour, dash = "solid", more = {}) => ({ ...xy, type: "scatter", mode: "lines", line: { color: colour, dash, width: 1.7, simplify: false }, hoverinfo: "skip", ...more });
  const area = (xy, colour) => ({ ...xy, type: "scatter", mode: "lines", fill: "toself", fillcolor: colour, line: { width: 0, simplify: false }, hoverinfo: "skip" });
  const banded = (name, sigma, place) => (a, b, px) => {
    const traces = [area(thinBand(T, low[name](), high[name](), high[sigma](), a, b, px), c.band), line(thin(T, low[name](), high[name](), a, b, px), c.one)];
    if (reference()) traces.push(line(thin(T, reference()[place], reference()[place], a, b, px), c.ink, "1.5px,2.5px"));
    return traces;
  };
  const charts = {
    forward: { traces: banded("forward", "sigma_forward", 0) },
    right: { traces: banded("right", "sigma_right", 1) },
    height: {
      traces: (a, b, px) => {
        const found = ranges(), dots = thin(found.time, found.low, found.high, a, b, px);
        return [...banded("height", "height_sigma", 2)(a, b, px),
          { ...dots, type: "scatter", mode: "markers", marker: { symbol: "circle-open", size: 5, color: c.two, line: { width: 1.3 } }, hoverinfo: "skip" }];
      },
    },
    points: {
      traces: (a, b, px) => [line(thin(T, low.tracks(), high.tracks(), a, b, px), c.one),
        line(percent(thin(T, low.share(), high.share(), a, b, px)), c.two, "6px,3px", { yaxis: "y2" })],
      layout: () => ({ yaxis2: { ...axis(), overlaying: "y", side: "right", range: [0, 105], tickvals: [0, 50, 100], showgrid: false } }),
      fromZero: true,
    },
    motion: {
      traces: (a, b, px) => [line(thin(T, low.seen_px(), high.seen_px(), a, b, px), c.one), line(thin(T, low.turn_px(), high.turn_px(), a, b, px), c.two, "6px,3px")],
      fromZero: true,
    },
    gyro: {
      traces: (a, b, px) => [[c.one, "solid"], [c.two, "6px,3px"], [c.three, "2px,2px"]].map(([colour, dash], k) =>
        line(thin(gyro().time, gyro().low[k], gyro().high[k], a, b, px), colour, dash)),
    },
    status: { traces: lanes, layout: laneWords },
  };
  const percent = (xy) => ({ x: xy.x, y: xy.y.map((v) => (v === null ? null : 100 * v)) });

  const kinds = ["ok", ...new Set(stretches.map((s) => s.status).filter((status) => status !== "ok"))];
  const told = (status) => status.replaceAll("_", " ");
  function lanes(a, b, px) {
    const least = (b - a) / px * 1.5;
    return kinds.map((kind, k) => {
      const x = [], y = [];
      for (const s of stretches) {
        if (s.status !== kind || s.end < a || s.begin > b) continue;
        const n = x.length;
        if (n && s.begin - x[n - 2] < least / 2) x[n - 2] = Math.max(s.end, x[n - 3] + least);
        else { x.push(s.begin, Math.max(s.end, s.begin + least), null); y.push(-k, -k, null); }
      }
      return line({ x, y }, kind === "ok" ? c.yes : c.no, "solid", { line: { color: kind === "ok" ? c.yes : c.no, width: 9, simplify: false } });
    });
  }
  function laneWords() {
    return {
      yaxis: { ...axis(), range: [0.75 - kinds.length, 0.75], showticklabels: false, showgrid: false, zeroline: false },
      annotations: kinds.map((kind, k) => ({ xref: "paper", x: 0, y: -k + 0.18, yanchor: "bottom", xanchor: "left", text: told(kind), showarrow: false, font: { size: 11.5, color: c.ink }, borderpad: 1 })),
    };
  }
  const axis = () => ({ gridcolor: c.line, zerolinecolor: c.soft, linecolor: c.soft, tickfont: { color: c.soft, size: 11.5 }, fixedrange: true, zerolinewidth: 1 });
  const limits = (traces, fromZero) => {
    let least = fromZero ? 0 : Infinity, most = fromZero ? 0 : -Infinity;
    for (const trace of traces) {
      if (trace.yaxis) continue;
      for (let i = 0; i < trace.y.length; i++) {
        const v = trace.y[i];
        if (v === null || trace.x[i] < view[0] || trace.x[i] > view[1]) continue;
        if (v < least) least = v;
        if (v > most) most = v;
      }
    }
    if (!(most >= least)) return [-1, 1];
    const room = Math.max(0.07 * (most - least), 1e-3);
    return [fromZero ? 0 : least - room, most + room];
  };
  const plots = Array.from(document.querySelectorAll(".plot")).filter((plot) => plot.dataset.chart !== "path");
  const near = new Map(plots.map((plot) => [plot, true])), stale = new Set(), drawnView = new Map(), drawnAt = new Map();
  const drawPlot = (plot) => {
    const chart = charts[plot.dataset.chart], width = plot.clientWidth - EDGE.l - EDGE.r;
    const traces = chart.traces(view[0], view[1], Math.max(width, 50));
    drawnView.set(plot, view);
    drawnAt.set(plot, performance.now());
    const layout = {
      margin: EDGE, showlegend: false, paper_bgcolor: c.sheet, plot_bgcolor: c.sheet, font: { family: "system-ui, sans-serif", color: c.ink }, width: plot.clientWidth,
      height: plot.clientHeight, xaxis: { ...axis(), range: view.slice(), nticks: Math.max(3, Math.round(width / 90)), showgrid: true, zeroline: false, ticksuffix: " s" },
      yaxis: { ...axis(), range: limits(traces, chart.fromZero), nticks: 5 }, ...(chart.layout ? chart.layout() : {}),
    };
    stale.delete(plot);
    return Plotly.react(plot.firstElementChild, traces, layout, { staticPlot: true, displayModeBar: false });
  };
  // A chart takes some milliseconds: the one in hand comes first, then those that waited longest; the rest in the next picture.
  const drawCharts = (everything = false) => {
    for (const plot of plots) stale.add(plot);
    drawStale(everything ? Infinity : 10);
    at("view-words").textContent = `${minus(view[0].toFixed(2))} to ${minus(view[1].toFixed(2))} s` + (data.clock_s ? ` after ${data.clock_s} s` : "");
  };

  let inHand = null;
  const drawStale = (budget_ms) => {
    const began = performance.now(), waiting = [...stale].filter((plot) => near.get(plot));
    waiting.sort((a, b) => (b === inHand) - (a === inHand) || (drawnAt.get(a) || 0) - (drawnAt.get(b) || 0));
    for (const plot of waiting) {
      if (performance.now() - began > budget_ms) { if (!drawStale.asked) { drawStale.asked = true; requestAnimationFrame(() => { drawStale.asked = false; drawStale(10); drawCursor(); }); } return; }
      drawPlot(plot);
    }
  };

  // ---- whole flight ----
  const drawWhole = () => {
    const box = at("whole"), canvas = at("whole-drawing"), scale = devicePixelRatio || 1;
    const width = box.clientWidth, height = box.clientHeight;
    canvas.width = width * scale; canvas.height = height * scale;
    const g = canvas.getContext("2d");
    g.scale(scale, scale);
    const X = (t) => (t - start) / whole * width;
    const columns = new Float64Array(width + 1).fill(NaN), f = high.forward(), r = high.right(), fl = low.forward(), rl = low.right();
    let top = 1e-3;
    for (let i = 0; i < count; i++) {
      const speed = Math.hypot(Math.max(Math.abs(f[i]), Math.abs(fl[i])), Math.max(Math.abs(r[i]), Math.abs(rl[i])));
      const k = Math.min(width, Math.max(0, Math.floor(X(T[i]))));
      if (!(columns[k] >= speed) && !Number.isNaN(speed)) columns[k] = speed;
      if (speed > top) top = speed;
    }
    g.fillStyle = c.one; g.globalAlpha = 0.55;
    let last = NaN;
    for (let k = 0; k <= width; k++) {
      if (!Number.isNaN(columns[k])) last = columns[k];
      if (count < width || !Number.isNaN(columns[k])) g.fillRect(k, height - last / top * (height - 6), 1, last / top * (height - 6));
    }
    g.globalAlpha = 1;
    for (const s of stretches) {
      if (s.status === "ok") continue;
      const x = X(s.begin), w = Math.max(2, X(s.end) - x);
      g.fillStyle = c.sheet; g.fillRect(x, 0, w, height);
      g.save(); g.beginPath(); g.rect(x, 0, w, height); g.clip();
      g.strokeStyle = c.no; g.lineWidth = 1.6; g.beginPath();
      for (let d = Math.floor((x - height) / 6) * 6; d < x + w; d += 6) { g.moveTo(d, height); g.lineTo(d + height, 0); }
      g.stroke(); g.restore();
      g.strokeStyle = c.no; g.strokeRect(x, 0.5, w, height - 1);
    }
    const frame = at("window");
    frame.style.left = X(view[0]) + "px"; frame.style.width = Math.max(10, X(view[1]) - X(view[0])) + "px";
  };

  // ---- path ----
  const pathPlot = document.querySelector('.plot[data-chart="path"]');
  let pathMap = null;
  const drawPath = () => {
    const f = newest.path_forward(), r = newest.path_right(), sf = newest.path_sigma_forward(), sr = newest.path_sigma_right(), rho = newest.path_correlation();
    const bounds = [Infinity, -Infinity, Infinity, -Infinity];
    const reach = (x, y) => { bounds[0] = Math.min(bounds[0], x); bounds[1] = Math.max(bounds[1], x); bounds[2] = Math.min(bounds[2], y); bounds[3] = Math.max(bounds[3], y); };
    reach(0, 0);
    const rings = { x: [], y: [] };
    for (let k = 1; k <= 8; k++) {
      const i = Math.max(0, Math.round(k / 8 * count) - 1);
      for (let j = 0; j <= 40; j++) {
        const u = Math.cos(j / 20 * Math.PI) * RING, v = Math.sin(j / 20 * Math.PI) * RING;
        const x = r[i] + sr[i] * u, y = f[i] + sf[i] * (rho[i] * u + Math.sqrt(Math.max(0, 1 - rho[i] * rho[i])) * v);
        rings.x.push(x); rings.y.push(y); reach(x, y);
      }
      rings.x.push(null); rings.y.push(null);
    }
    const step = Math.max(1, Math.ceil(count / 4000)), known = { x: [0], y: [0] }, carried = { x: [], y: [] }, speed = low.forward();
    for (let i = 0; i < count; i += step) {
      reach(r[i], f[i]);
      if (Number.isNaN(speed[i])) {
        if (!carried.x.length || carried.x[carried.x.length - 1] === null) { carried.x.push(i ? r[i - step] : 0); carried.y.push(i ? f[i - step] : 0); }
        carried.x.push(r[i]); carried.y.push(f[i]); known.x.push(null); known.y.push(null);
      } else {
        if (carried.x.length && carried.x[carried.x.length - 1] !== null) { carried.x.push(r[i], null); carried.y.push(f[i], null); }
        known.x.push(r[i]); known.y.push(f[i]);
      }
    }
    const edge = { l: 50, r: 16, t: 10, b: 40 }, w = pathPlot.clientWidth - edge.l - edge.r, h = pathPlot.clientHeight - edge.t - edge.b;
    const scale = Math.min(w / (1.12 * Math.max(bounds[1] - bounds[0], 0.05)), h / (1.12 * Math.max(bounds[3] - bounds[2], 0.05)));
    const cx = (bounds[0] + bounds[1]) / 2, cy = (bounds[2] + bounds[3]) / 2;
    pathMap = { px: (x, y) => [edge.l + w / 2 + (x - cx) * scale, edge.t + h / 2 - (y - cy) * scale], of: (px, py) => [cx + (px - edge.l - w / 2) / scale, cy - (py - edge.t - h / 2) / scale] };
    const ends = [["circle-open", 0, 0], ["square-open", r[count - 1], f[count - 1]]].map(([symbol, x, y], k) => ({ x: [x], y: [y], type: "scatter", mode: "markers+text", text: [k ? "end" : "start"], textposition: "top right",
      textfont: { color: c.ink }, marker: { symbol, size: 11, color: c.ink, line: { width: 2 } }, hoverinfo: "skip" }));
    const layout = {
      margin: edge, showlegend: false, paper_bgcolor: c.sheet, plot_bgcolor: c.sheet, font: { family: "system-ui, sans-serif", color: c.ink }, width: pathPlot.clientWidth, height: pathPlot.clientHeight,
      xaxis: { ...axis(), range: [cx - w / 2 / scale, cx + w / 2 / scale], title: { text: "right at the start, m", font: { size: 12 } } }, yaxis: { ...axis(), range: [cy - h / 2 / scale, cy + h / 2 / scale], ticksuffix: " m" },
    };
    Plotly.react(pathPlot.firstElementChild, [area(rings, c.band), line(rings, c.one, "solid", { line: { color: c.one, width: 1 } }), line(known, c.one, "solid", { line: { color: c.one, width: 2.4 } }), line(carried, c.no, "2px,3px"), ...ends], layout, { staticPlot: true, displayModeBar: false });
  };

  // ---- the cursor and what is said there ----
  const cursors = plots.map((plot) => [plot, plot.querySelector(".cursor")]);
  const statusAt = (time) => {
    let a = 0, b = stretches.length - 1;
    while (a < b) { const m = (a + b) >> 1; if (stretches[m].end < time) a = m + 1; else b = m; }
    return stretches[a] ? stretches[a].status : "ok";
  };
  const say = (id, text) => { const node = at(id); if (node.textContent !== text) node.textContent = text; };
  const drawCursor = () => {
    const time = T[here];
    for (const [plot, mark] of cursors) {
      const [a, b] = drawnView.get(plot) || view, share = (time - a) / (b - a), x = EDGE.l + share * (plot.clientWidth - EDGE.l - EDGE.r);
      mark.style.visibility = share >= 0 && share <= 1 ? "visible" : "hidden";
      mark.style.transform = `translateX(${x}px)`;
    }
    const strip = at("whole").querySelector(".cursor");
    strip.style.visibility = "visible";
    strip.style.transform = `translateX(${(time - start) / whole * at("whole").clientWidth}px)`;
    if (pathMap) {
      const [x, y] = pathMap.px(newest.path_right()[here], newest.path_forward()[here]), place = pathPlot.querySelector(".place");
      place.style.visibility = "visible"; place.style.transform = `translate(${x}px, ${y}px)`;
    }
    drawMarks();
    sayNow(time);
    clearTimeout(hashTimer);
    hashTimer = setTimeout(() => { if (video.paused) try { history.replaceState(null, "", "#t=" + time.toFixed(3)); } catch (_) { /* a viewer may forbid it */ } }, 200);
  };
  const sayNow = (time) => {
    const status = statusAt(time), good = status === "ok", f = low.forward()[here], r = low.right()[here];
    at("now-status").className = "status-line" + (good ? "" : " no");
    at("now-status").dataset.status = status;
    say("now-status", good ? "speed ok" : `no speed (${told(status)}): ${data.reasons[status] || ""}`);
    say("now-time", minus(time.toFixed(3)) + " s" + (data.clock_s ? ` + ${data.clock_s}` : ""));
    const speed = (v, sigma) => (Number.isNaN(v) ? "none" : `${signed(v, 3)} ± ${(BAND * sigma).toFixed(3)} m/s`);
    say("now-forward", speed(f, high.sigma_forward()[here]));
    say("now-right", speed(r, high.sigma_right()[here]));
    const h = low.height()[here];
    say("now-height", Number.isNaN(h) ? "unknown" : `${minus(h.toFixed(3))} ± ${(BAND * high.height_sigma()[here]).toFixed(3)} m`);
    const tracks = low.tracks()[here], agree = low.share()[here];
    say("now-points", `${tracks.toFixed(0)} followed` + (Number.isNaN(agree) ? "" : `, ${(100 * agree).toFixed(0)} % agree`));
    const seen = low.seen_px()[here], turned = low.turn_px()[here];
    say("now-motion", Number.isNaN(seen) ? "none seen" : `${seen.toFixed(2)} px, gyro ${Number.isNaN(turned) ? "silent" : turned.toFixed(2) + " px"}`);
    const parts = data.causes.map((cause) => [told(cause), high["by_" + cause]()[here]]).filter(([, v]) => v > 0).sort((a, b) => b[1] - a[1]).slice(0, 4);
    say("now-causes", parts.length ? parts.map(([cause, v]) => `${cause} ${(1000 * v).toFixed(1)}`).join(", ") + " mm/s (one-sigma)" : "no row, no band");
    const slider = at("slider");
    slider.value = here;
    slider.setAttribute("aria-valuetext", `${time.toFixed(2)} seconds, ${good ? "speed ok" : told(status)}`);
  };

  // ---- marks on the video ----
  const topSpeed = (() => {
    const f = low.forward(), r = low.right();
    let top = 0.05;
    for (let i = 0; i < count; i++) { const v = Math.hypot(f[i], r[i]); if (v > top) top = v; }
    return top;
  })();
  const ringSpeed = (() => { // a round number near the top speed
    const decade = 10 ** Math.floor(Math.log10(topSpeed));
    return [5, 2, 1].map((k) => k * decade).find((v) => v <= topSpeed) || decade;
  })();
  const enlarged = (() => { // the ellipse, where it would be a speck
    const sigma = Array.from(high.sigma_forward()).filter((v) => !Number.isNaN(v)).sort((a, b) => a - b), usual = sigma[sigma.length >> 1];
    const px = RING * usual / topSpeed * 90;
    return !(px > 0) ? 1 : [1, 2, 5, 10, 20].find((k) => k * px >= 8) || 20;
  })();
  const drawMarks = () => {
    const stage = at("stage"), canvas = at("marks"), dpr = devicePixelRatio || 1, width = stage.clientWidth, height = stage.clientHeight;
    if (canvas.width !== Math.round(width * dpr) || canvas.height !== Math.round(height * dpr)) { canvas.width = Math.round(width * dpr); canvas.height = Math.round(height * dpr); }
    const g = canvas.getContext("2d");
    g.setTransform(dpr, 0, 0, dpr, 0, 0);
    g.clearRect(0, 0, width, height);
    const wide = data.width_px + data.width_px % 2, high_px = data.height_px + data.height_px % 2;
    const sx = width / wide, sy = height / high_px;
    drawPoints(g, sx, sy, width < 420 ? 2 : 2.6);
    drawSpeed(g, width, height, sx, sy);
    const status = statusAt(T[here]);
    if (status !== "ok") plate(g, "NO SPEED: " + told(status), width / 2, 16, 14, "center", "#ffb27a");
    const h = low.height()[here];
    plate(g, Number.isNaN(h) ? "height unknown" : `height ${h.toFixed(2)} m`, 8, height - 12, 12, "left", "#ffffff");
    plate(g, `ring ${ringSpeed} m/s`, width - 8, height - 12, 12, "right", "#ffffff");
  };
  const plate = (g, text, x, y, size, align, colour) => {
    g.font = `600 ${size}px system-ui, sans-serif`; g.textAlign = align; g.textBaseline = "middle";
    const w = g.measureText(text).width + 10, left = align === "left" ? x - 5 : align === "right" ? x - w + 5 : x - w / 2;
    g.fillStyle = "rgba(16, 18, 12, 0.78)"; g.fillRect(left, y - size * 0.8, w, size * 1.6);
    g.fillStyle = colour; g.fillText(text, x, y + 1);
  };
  const drawPoints = (g, sx, sy, size) => {
    const held = points(), step = newest.points_step_px()[here], b = held.bytes;
    const tails = [new Path2D(), new Path2D()], heads = [new Path2D(), new Path2D()];
    for (let n = held.first[here]; n < held.first[here + 1]; n++) {
      const k = 5 * n, code = b[k] | (b[k + 1] << 8) | (b[k + 2] << 16), used = (code >> 22) & 1;
      const x = (code & 2047) / 2047 * data.width_px * sx, y = ((code >> 11) & 2047) / 2047 * data.height_px * sy;
      const dx = (b[k + 3] << 24 >> 24) * step * sx * TAIL, dy = (b[k + 4] << 24 >> 24) * step * sy * TAIL;
      tails[used].moveTo(x - dx, y - dy); tails[used].lineTo(x, y);
      if (used) { heads[1].moveTo(x + size, y); heads[1].arc(x, y, size, 0, 7); } else {
        const e = size + 1.2;
        heads[0].moveTo(x - e, y - e); heads[0].lineTo(x + e, y + e); heads[0].moveTo(x + e, y - e); heads[0].lineTo(x - e, y + e);
      }
    }
    for (const [used, colour] of [[1, "#63d3ff"], [0, "#ffb000"]]) {
      g.strokeStyle = "rgba(0, 0, 0, 0.75)"; g.lineWidth = 3.4; g.stroke(tails[used]); g.stroke(heads[used]);
      g.strokeStyle = g.fillStyle = colour; g.lineWidth = used ? 1.4 : 1.9; g.stroke(tails[used]);
      if (used) g.fill(heads[1]); else g.stroke(heads[0]);
    }
  };
  const drawSpeed = (g, width, height, sx, sy) => {
    const f = low.forward()[here], r = low.right()[here], cx = width / 2, cy = height / 2, scale = 0.4 * Math.min(width, height) / topSpeed, M = data.picture_by_level;
    g.strokeStyle = "rgba(255, 255, 255, 0.55)"; g.lineWidth = 1; g.setLineDash([3, 4]);
    g.beginPath(); g.arc(cx, cy, ringSpeed * scale, 0, 7); g.stroke(); g.setLineDash([]);
    if (Number.isNaN(f)) return;
    const place = (a, b) => [cx + scale * (M[0][0] * a + M[0][1] * b), cy + scale * (M[1][0] * a + M[1][1] * b)];
    const [x, y] = place(f, r), arrow = new Path2D(), ring = new Path2D(), rho = newest.correlation()[here] || 0;
    arrow.moveTo(cx, cy); arrow.lineTo(x, y);
    const length = Math.hypot(x - cx, y - cy);
    if (length > 6) {
      const ux = (x - cx) / length, uy = (y - cy) / length, k = Math.min(11, length / 2);
      arrow.moveTo(x - k * ux + k * 0.5 * uy, y - k * uy - k * 0.5 * ux); arrow.lineTo(x, y); arrow.lineTo(x - k * ux - k * 0.5 * uy, y - k * uy + k * 0.5 * ux);
    }
    const a = high.sigma_forward()[here] * RING * enlarged, b = high.sigma_right()[here] * RING * enlarged;
    for (let j = 0; j <= 40; j++) {
      const u = Math.cos(j / 20 * Math.PI), v = Math.sin(j / 20 * Math.PI);
      const [px, py] = place(f + a * u, r + b * (rho * u + Math.sqrt(Math.max(0, 1 - rho * rho)) * v));
      if (j) ring.lineTo(px, py); else ring.moveTo(px, py);
    }
    for (const [colour, thick] of [["rgba(0, 0, 0, 0.8)", 5], ["#ffffff", 2.2]]) {
      g.strokeStyle = colour; g.lineWidth = thick; g.stroke(arrow); g.lineWidth = Math.max(1.4, thick - 1); g.stroke(ring);
    }
  };

  // ---- hands ----
  const timeAt = (plot, clientX) => {
    const box = plot.getBoundingClientRect();
    return view[0] + (clientX - box.left - EDGE.l) / (box.width - EDGE.l - EDGE.r) * (view[1] - view[0]);
  };
  for (const plot of plots) {
    plot.addEventListener("pointerenter", () => { inHand = plot; });
    const held = new Map();
    let pinch = 0;
    plot.addEventListener("pointerdown", (event) => {
      if (event.button > 0) return;
      held.set(event.pointerId, event.clientX);
      plot.setPointerCapture(event.pointerId);
      scrubbing = true;
      if (held.size === 1) seekTime(timeAt(plot, event.clientX));
      else pinch = Math.abs([...held.values()][0] - [...held.values()][1]);
      event.preventDefault();
    });
    plot.addEventListener("pointermove", (event) => {
      if (!held.has(event.pointerId)) return;
      held.set(event.pointerId, event.clientX);
      if (held.size === 2) {
        const [a, b] = held.values(), wide = Math.abs(a - b);
        if (wide > 10 && pinch > 10) zoom(pinch / wide, timeAt(plot, (a + b) / 2));
        pinch = wide;
      } else seekTime(timeAt(plot, event.clientX));
    });
    const release = (event) => { held.delete(event.pointerId); scrubbing = held.size > 0; };
    plot.addEventListener("pointerup", release);
    plot.addEventListener("pointercancel", release);
    plot.addEventListener("wheel", (event) => {
      const along = event.shiftKey ? event.deltaY || event.deltaX : Math.abs(event.deltaX) > Math.abs(event.deltaY) ? event.deltaX : 0;
      if (event.ctrlKey || event.metaKey) zoom(Math.exp(Math.max(-0.5, Math.min(0.5, event.deltaY / 300))), timeAt(plot, event.clientX));
      else if (along) { const by = along / plot.clientWidth * (view[1] - view[0]); setView(view[0] + by, view[1] + by); } else return;
      event.preventDefault();
    }, { passive: false });
  }
  pathPlot.addEventListener("pointerdown", (event) => {
    const box = pathPlot.getBoundingClientRect(), [x, y] = pathMap.of(event.clientX - box.left, event.clientY - box.top);
    const f = newest.path_forward(), r = newest.path_right();
    let best = 0, least = Infinity;
    for (let i = 0; i < count; i++) { const d = (r[i] - x) ** 2 + (f[i] - y) ** 2; if (d < least) { least = d; best = i; } }
    seek(best);
  });
  const strip = at("whole");
  let grip = null;
  strip.addEventListener("pointerdown", (event) => {
    const box = strip.getBoundingClientRect(), X = (t) => box.left + (t - start) / whole * box.width, at_s = start + (event.clientX - box.left) / box.width * whole;
    const zoomed = view[1] - view[0] < whole * 0.999;
    const kind = Math.abs(event.clientX - X(view[0])) < 10 ? "left" : Math.abs(event.clientX - X(view[1])) < 10 ? "right" : zoomed && at_s > view[0] && at_s < view[1] ? "move" : "new";
    grip = { kind, from: at_s, view: view.slice(), moved: false, x: event.clientX };
    strip.setPointerCapture(event.pointerId);
  });
  strip.addEventListener("pointermove", (event) => {
    if (!grip) return;
    const box = strip.getBoundingClientRect(), at_s = start + (event.clientX - box.left) / box.width * whole;
    grip.moved = grip.moved || Math.abs(event.clientX - grip.x) > 4;
    if (!grip.moved) return;
    if (grip.kind === "left") setView(Math.min(at_s, grip.view[1] - leastView), grip.view[1]);
    else if (grip.kind === "right") setView(grip.view[0], Math.max(at_s, grip.view[0] + leastView));
    else if (grip.kind === "move") setView(grip.view[0] + at_s - grip.from, grip.view[1] + at_s - grip.from);
    else setView(Math.min(at_s, grip.from), Math.max(at_s, grip.from));
  });
  strip.addEventListener("pointerup", () => { if (grip && !grip.moved) seekTime(grip.from); grip = null; });
  strip.addEventListener("dblclick", () => setView(start, start + whole));
  at("zoom-in").addEventListener("click", () => zoom(0.5, T[here] >= view[0] && T[here] <= view[1] ? T[here] : (view[0] + view[1]) / 2));
  at("zoom-out").addEventListener("click", () => zoom(2, (view[0] + view[1]) / 2));
  at("zoom-all").addEventListener("click", () => setView(start, start + whole));

  const toggle = () => { if (!playable) return; if (video.paused) { if (here >= count - 1) seek(0); video.play().catch(() => {}); } else video.pause(); };
  const showPlaying = () => { const on = !video.paused; at("play").textContent = on ? "❚❚" : "▶"; at("play").setAttribute("aria-label", on ? "Pause" : "Play"); };
  at("play").addEventListener("click", toggle);
  at("back").addEventListener("click", () => { video.pause(); seek(here - 1); });
  at("forth").addEventListener("click", () => { video.pause(); seek(here + 1); });
  at("rate").addEventListener("change", (event) => { video.playbackRate = Number(event.target.value); });
  at("slider").max = count - 1;
  at("slider").addEventListener("input", (event) => seek(Number(event.target.value)));
  at("link").addEventListener("click", async () => {
    const link = location.href.split("#")[0] + "#t=" + T[here].toFixed(3);
    try { await navigator.clipboard.writeText(link); at("link").textContent = "copied"; } catch (_) { location.hash = "t=" + T[here].toFixed(3); at("link").textContent = "in address"; }
    setTimeout(() => { at("link").textContent = "copy link"; }, 1500);
  });
  document.addEventListener("keydown", (event) => {
    const tag = event.target.tagName;
    if (event.altKey || event.ctrlKey || event.metaKey || tag === "SELECT") return;
    if (event.key === " " && (tag === "BUTTON" || tag === "A")) return;
    const step = event.shiftKey ? Math.max(1, nearest(T, T[here] + 1) - here) : 1;
    const keys = {
      " ": toggle, ArrowLeft: () => { video.pause(); seek(event.shiftKey ? nearest(T, T[here] - 1) : here - 1); }, ArrowRight: () => { video.pause(); seek(here + step); },
      Home: () => seek(0), End: () => seek(count - 1), "+": () => at("zoom-in").click(), "=": () => at("zoom-in").click(), "-": () => at("zoom-out").click(), "0": () => at("zoom-all").click(),
    };
    if (!keys[event.key]) return;
    keys[event.key]();
    event.preventDefault();
  });

  // ---- the video leads while it plays ----
  const rowShown = (mediaTime) => Math.max(0, after(media, mediaTime + 0.0006) - 1);
  const lead = (mediaTime) => { if (!scrubbing && !video.seeking && !video.paused) seek(rowShown(mediaTime), { fromVideo: true }); };
  if (video.requestVideoFrameCallback) {
    const each = (_, frame) => { video.dataset.shown = frame.mediaTime; lead(frame.mediaTime); video.requestVideoFrameCallback(each); };
    video.requestVideoFrameCallback(each);
  } else {
    const each = () => { lead(video.currentTime); requestAnimationFrame(each); };
    requestAnimationFrame(each);
  }
  video.addEventListener("play", showPlaying);
  video.addEventListener("pause", showPlaying);
  video.addEventListener("ended", () => seek(count - 1, { fromVideo: true }));
  video.addEventListener("error", () => { playable = false; at("video-trouble").hidden = false; });

  // ---- begin ----
  const aspect = (data.width_px + data.width_px % 2) / (data.height_px + data.height_px % 2);
  at("stage").style.aspectRatio = aspect;
  at("stage").style.setProperty("--aspect", aspect);
  document.querySelector('.plot[data-chart="status"]').style.setProperty("--lanes", kinds.length);
  for (const kind of kinds.slice(1)) {
    const word = document.createElement("dt"), meaning = document.createElement("dd");
    word.textContent = told(kind); meaning.textContent = data.reasons[kind] || "";
    at("reasons").append(word, meaning);
  }
  for (const link of document.querySelectorAll(".found a")) {
    const begin = Number(link.dataset.begin) - data.clock_s, stop = Number(link.dataset.end) - data.clock_s;
    link.textContent = stop - begin < 0.05 ? `${minus(begin.toFixed(2))} s` : `${minus(begin.toFixed(1))}–${minus(stop.toFixed(1))} s`;
    link.href = "#t=" + begin.toFixed(3);
    link.addEventListener("click", (event) => {
      event.preventDefault();
      seekTime(begin);
      const room = Math.max(1, stop - begin);
      if (begin < view[0] || stop > view[1]) setView(begin - room, stop + room);
    });
  }
  const dots = newest.points(), drawn = dots.reduce((a, b) => Math.max(a, b), 0), followed = high.tracks().reduce((a, b) => Math.max(a, b), 0);
  say("marks-legend", `● moves with the ground, ✕ does not; tails show ${TAIL} times the motion since the picture before. ` +
    `The arrow is the velocity, the ellipse at its tip its 95 % region${enlarged > 1 ? ` drawn ${enlarged} times as large` : ""}.` +
    (drawn < followed ? ` To keep the page small at most ${Math.round(drawn)} points are drawn, evenly chosen.` : "") +
    (data.per_bin > 1 ? ` Long flight: each step of the charts spans ${data.per_bin} rows, smallest and largest kept.` : ""));
  const fromHash = () => { const found = /^#t=(-?[\d.]+)$/.exec(location.hash); if (found) seekTime(Number(found[1])); return Boolean(found); };
  addEventListener("hashchange", fromHash);
  const all = () => { c = ink(); drawCharts(true); drawWhole(); drawPath(); drawCursor(); };
  const watcher = new IntersectionObserver((entries) => {
    for (const entry of entries) { near.set(entry.target, entry.isIntersecting); }
    drawStale(10);
    drawCursor();
  }, { rootMargin: "200px" });
  for (const plot of plots) watcher.observe(plot);
  let resized = 0;
  new ResizeObserver(() => { clearTimeout(resized); resized = setTimeout(all, 60); }).observe(document.querySelector("main"));
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", all);
  addEventListener("beforeprint", () => { for (const plot of plots) near.set(plot, true); all(); });
  all();
  if (!fromHash()) seek(0);
  performance.mark("review-drawn");
  document.documentElement.dataset.drawn = "yes";
})();
