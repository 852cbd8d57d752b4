// The flight's numbers, and thinning them for a chart. One function is made of all parts of the review page's script: see review.py.
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

// ---- thinning: the smallest and the largest of each column of pixels, in the order in which they came ----
const span = (time, a, b) => [Math.max(0, after(time, a) - 2), Math.min(time.length, after(time, b) + 2)];
// Of a long view, eights of samples joined beforehand: a column of pixels holds many of them all the same.
const joined = new WeakMap();
const eighths = (time, lower, upper) => {
  const held = joined.get(lower);
  if (held && held.of === upper) return held;
  const n = Math.ceil(lower.length / 8), out = { of: upper, time: new Float64Array(n), lower: new Float64Array(n).fill(NaN), upper: new Float64Array(n).fill(NaN) };
  for (let i = 0; i < lower.length; i++) {
    const k = i >> 3;
    if (!(i & 7)) out.time[k] = time[i];
    if (!(lower[i] >= out.lower[k]) && !Number.isNaN(lower[i])) out.lower[k] = lower[i];
    if (!(upper[i] <= out.upper[k]) && !Number.isNaN(upper[i])) out.upper[k] = upper[i];
  }
  joined.set(lower, out);
  return out;
};
const thin = (time, lower, upper, a, b, px) => {
  const [first, last] = span(time, a, b), x = [], y = [];
  if (last - first > 16 * px) { const fewer = eighths(time, lower, upper); return thin(fewer.time, fewer.lower, fewer.upper, a, b, px); }
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
const thinBand = (time, bottom, top, a, b, px) => { // closed outlines, one for each stretch without a hole
  const [first, last] = span(time, a, b), x = [], y = [];
  if (last - first > 16 * px) { const fewer = eighths(time, bottom, top); return thinBand(fewer.time, fewer.lower, fewer.upper, a, b, px); }
  let column = null, xs = [], tops = [], bottoms = [];
  const close = () => {
    if (xs.length) {
      x.push(...xs, ...xs.slice().reverse(), null);
      y.push(...tops, ...bottoms.reverse(), null);
    }
    xs = []; tops = []; bottoms = []; column = null;
  };
  for (let i = first; i < last; i++) {
    if (Number.isNaN(bottom[i])) { close(); continue; }
    const c = Math.floor((time[i] - a) / (b - a) * px), n = xs.length - 1;
    if (c === column) {
      tops[n] = Math.max(tops[n], top[i]);
      bottoms[n] = Math.min(bottoms[n], bottom[i]);
    } else {
      column = c; xs.push(time[i]); tops.push(top[i]); bottoms.push(bottom[i]);
    }
  }
  close();
  return { x, y };
};
