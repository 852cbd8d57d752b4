// Charts, the strip of the whole flight and the path. One function is made of all parts of the review page's script: see review.py.
// ---- charts ----
const ink = () => {
  const style = getComputedStyle(document.documentElement), get = (name) => style.getPropertyValue(name).trim();
  return { one: get("--ink-1"), two: get("--ink-2"), three: get("--ink-3"), band: get("--band"), ink: get("--ink"), soft: get("--soft"),
    line: get("--line"), sheet: get("--sheet"), no: get("--no"), yes: get("--yes"), paper: get("--paper"), mark: get("--mark") };
};
let c = ink();
const line = (xy, colour, dash = "solid", more = {}) => ({ ...xy, type: "scatter", mode: "lines", line: { color: colour, dash, width: 1.7, simplify: false }, hoverinfo: "skip", ...more });
const area = (xy, colour) => ({ ...xy, type: "scatter", mode: "lines", fill: "toself", fillcolor: colour, line: { width: 0, simplify: false }, hoverinfo: "skip" });
const edges = {};
const edgesOf = (name, sigma) => edges[name] || (edges[name] = [[low[name](), -BAND], [high[name](), BAND]].map(([list, reach]) => list.map((v, i) => v + reach * high[sigma]()[i])));
const banded = (name, sigma, which) => (a, b, px) => {
  const traces = [area(thinBand(T, ...edgesOf(name, sigma), a, b, px), c.band), line(thin(T, low[name](), high[name](), a, b, px), c.one)];
  if (reference()) traces.push(line(thin(T, reference()[which], reference()[which], a, b, px), c.ink, "1.5px,2.5px"));
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
// A chart takes some milliseconds: the one in hand comes first, then those that waited longest; the rest in the next frame.
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
const acrossWhole = (t) => (t - start) / whole * at("whole").clientWidth;
const drawFrame = () => {
  const frame = at("window"), left = acrossWhole(view[0]);
  frame.style.left = left + "px";
  frame.style.width = Math.max(10, acrossWhole(view[1]) - left) + "px";
};
const drawWhole = () => {
  const box = at("whole"), canvas = at("whole-drawing"), scale = devicePixelRatio || 1;
  const width = box.clientWidth, height = box.clientHeight;
  canvas.width = width * scale; canvas.height = height * scale;
  const g = canvas.getContext("2d");
  g.scale(scale, scale);
  const X = acrossWhole;
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
  drawFrame();
};

// ---- path ----
const pathPlot = document.querySelector('.plot[data-chart="path"]');
let pathMap = null;
const drawPath = () => {
  if (!pathPlot) return; // no row has a speed
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
