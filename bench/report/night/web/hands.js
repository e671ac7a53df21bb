// Draws the charts of a report, in the colours of the reader's system or of paper, and
// moves the one with an axis of time: by buttons, keys and dragging.
(() => {
"use strict";
const inks = JSON.parse(document.getElementById("inks").textContent);
const dark = matchMedia("(prefers-color-scheme: dark)");
const coarse = matchMedia("(pointer: coarse)");
const paper = matchMedia("print");
const WRITTEN = new Set(["text", "customdata", "hovertemplate", "ticktext", "bdata"]);
const STEPS = [.001, .002, .005, .01, .02, .05, .1, .2, .5, 1, 2, 5, 10, 15, 30, 60, 120,
  300, 600, 900, 1800, 3600, 7200, 10800, 14400, 21600, 43200, 86400, 172800, 432000];
const PRINTED = 680;
const plots = [...document.querySelectorAll(".plot")];

// The same figure in other colours; texts that people wrote are left alone.
function inked(value, night) {
  if (typeof value === "string") return night && inks[value] || value;
  if (Array.isArray(value)) return value.map(one => inked(one, night));
  if (value === null || typeof value !== "object") return value;
  return Object.fromEntries(Object.entries(value).map(([key, inner]) =>
    [key, WRITTEN.has(key) ? inner : inked(inner, night)]));
}

function clock(seconds, digits = 0) {
  const scale = 10 ** digits, all = Math.round(seconds * scale);
  const whole = Math.floor(all / scale), rest = all % scale;
  const two = number => String(number).padStart(2, "0");
  const text = `${Math.floor(whole / 3600)}:${two(Math.floor(whole / 60) % 60)}`;
  if (digits) return `${text}:${two(whole % 60)}.${String(rest).padStart(digits, "0")}`;
  return `${text}:${two(whole % 60)}`;
}

function digitsOf(span) { return span >= 30 ? 0 : span >= 3 ? 1 : span >= .3 ? 2 : 4; }

function ticks(from, to, width) {
  const wanted = Math.max(2, width / 95);
  const step = STEPS.find(one => (to - from) / one <= wanted) || 864000;
  const digits = step >= 1 ? 0 : step >= .1 ? 1 : step >= .01 ? 2 : 3;
  const tickvals = [];
  for (let k = Math.ceil(from / step - 1e-9); k * step <= to * (1 + 1e-12); k++)
    tickvals.push(k * step);
  const short = step >= 60;
  const ticktext = tickvals.map(one =>
    short ? clock(one).replace(/:\d\d$/, "") : clock(one, digits));
  return {tickvals, ticktext};
}

function spanOf(node) { return Number(node.dataset.span) || 0; }

function draw(node, printed) {
  const figure = JSON.parse(document.getElementById(node.dataset.figure).textContent);
  const night = dark.matches && !printed && !paper.matches;
  const data = inked(figure.data, night), layout = inked(figure.layout, night);
  const width = printed ? PRINTED : node.clientWidth;
  layout.width = width;
  if (width < 520) {
    layout.margin.l = Math.min(layout.margin.l, 44);
    layout.margin.r = 6;
  }
  if (coarse.matches) layout.dragmode = false;
  const span = spanOf(node);
  if (span) {
    node.shown = node.shown || [0, span];
    const [from, to] = printed ? [0, span] : node.shown;
    Object.assign(layout.xaxis, ticks(from, to, width - 60), {range: [from, to]});
  }
  const done = Plotly.react(node, data, layout,
    {displayModeBar: false, doubleClick: false, responsive: false, showTips: false});
  node.querySelectorAll("svg").forEach(svg => svg.setAttribute("aria-hidden", "true"));
  return done;
}

function show(node, from, to) {
  const span = spanOf(node);
  const width = Math.min(span, Math.max(to - from, span / 1e5, .001));
  from = Math.min(Math.max(0, from), span - width);
  to = from + width;
  const same = node.shown && node.shown[0] === from && node.shown[1] === to;
  node.shown = [from, to];
  const marks = ticks(from, to, node.clientWidth - 60);
  Plotly.relayout(node, {"xaxis.range": [from, to], "xaxis.tickvals": marks.tickvals,
    "xaxis.ticktext": marks.ticktext});
  if (same) return;
  const digits = digitsOf(width);
  node.parentNode.querySelector("output").textContent = width >= span * (1 - 1e-9)
    ? "the whole run"
    : `${clock(from, digits)} to ${clock(to, digits)} of ${clock(span)}`;
}

function move(node, what) {
  const [from, to] = node.shown, width = to - from, middle = (from + to) / 2;
  if (what === "in") show(node, middle - width / 4, middle + width / 4);
  if (what === "out") show(node, middle - width, middle + width);
  if (what === "back") show(node, from - width / 4, to - width / 4);
  if (what === "on") show(node, from + width / 4, to + width / 4);
  if (what === "all") show(node, 0, spanOf(node));
}

const KEYS = {"+": "in", "=": "in", "-": "out", "−": "out", ArrowLeft: "back",
  ArrowRight: "on", ArrowUp: "in", ArrowDown: "out", "0": "all", Home: "all"};

function handled(node) {
  node.on("plotly_relayout", change => {
    const from = change["xaxis.range[0]"], to = change["xaxis.range[1]"];
    if (from !== undefined && to !== undefined) show(node, Number(from), Number(to));
  });
  node.on("plotly_doubleclick", () => move(node, "all"));
  node.addEventListener("keydown", event => {
    const what = KEYS[event.key];
    if (!what || event.ctrlKey || event.metaKey || event.altKey) return;
    event.preventDefault();
    move(node, what);
  });
  node.parentNode.querySelectorAll("button").forEach(button =>
    button.addEventListener("click", () => move(node, button.dataset.do)));
}

// Only what really scrolls is a stop for the keyboard.
function stops() {
  document.querySelectorAll(".wide, .listing pre").forEach(box => {
    if (box.scrollWidth > box.clientWidth + 1) box.setAttribute("tabindex", "0");
    else box.removeAttribute("tabindex");
  });
}

function all(printed) { plots.forEach(node => draw(node, printed)); }

let opened = [];
function toPaper() {
  opened = [...document.querySelectorAll("details[data-print]:not([open])")];
  opened.forEach(one => { one.open = true; });
  all(true);
}
function fromPaper() {
  opened.forEach(one => { one.open = false; });
  opened = [];
  all(false);
}

if (plots.length) {
  plots.forEach(node => {
    draw(node, false);
    if (spanOf(node)) handled(node);
  });
  dark.addEventListener("change", () => all(false));
  addEventListener("beforeprint", toPaper);
  addEventListener("afterprint", fromPaper);
}
let width = innerWidth;
addEventListener("resize", () => {
  stops();
  if (innerWidth === width || paper.matches) return;
  width = innerWidth;
  all(false);
});
document.querySelectorAll("details").forEach(one => one.addEventListener("toggle", stops));
stops();
document.documentElement.dataset.drawn = "yes";
})();
