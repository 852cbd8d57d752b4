// Pointer, keys, buttons and the playing video; then the first drawing. One function is made of all parts of the review page's script: see review.py.
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
if (pathPlot) pathPlot.addEventListener("pointerdown", (event) => {
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
const giveUp = () => { playable = false; at("video-trouble").hidden = false; for (const id of ["play", "rate"]) at(id).disabled = true; };
video.addEventListener("error", giveUp);
if (video.error || video.networkState === HTMLMediaElement.NETWORK_NO_SOURCE) giveUp(); // it failed before this script began

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
const fromHash = () => { const found = /^#t=(-?[\d.]+)$/.exec(location.hash); if (found) seekTime(Number(found[1]) - (Number(found[1]) >= data.clock_s ? data.clock_s : 0)); return Boolean(found); };
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
