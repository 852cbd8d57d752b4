// What is said and drawn at the cursor. One function is made of all parts of the review page's script: see review.py.
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
  strip.style.transform = `translateX(${acrossWhole(time)}px)`;
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
  const parts = Object.entries(data.sources).map(([source, label]) => [label, high["by_" + source]()[here]]).filter(([, v]) => v > 0).sort((a, b) => b[1] - a[1]).slice(0, 4);
  say("now-causes", parts.length ? parts.map(([label, v]) => `${label} ${(1000 * v).toFixed(1)}`).join(", ") + " mm/s (one-sigma)" : "no row, no band");
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
