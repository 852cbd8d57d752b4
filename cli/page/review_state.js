// One cursor and one view for everything on the page. One function is made of all parts of the review page's script: see review.py.
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
    if (askedCharts) { askedCharts = false; drawCharts(); drawFrame(); }
    drawCursor();
  });
};
