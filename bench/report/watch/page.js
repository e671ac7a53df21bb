// Asks for the snapshot every two seconds and draws it.  Whatever people wrote goes in
// as text, never as markup.  What was not observable is said to be so.
"use strict";

const EVERY_MS = 2000, PATIENCE_MS = 5000, SVG = "http://www.w3.org/2000/svg";
const token = location.hash.slice(1);
const at = (id) => document.getElementById(id);
let heard = null, told = "";

function length(ns) {
  if (ns === null || ns === undefined) return null;
  const s = Math.floor(ns / 1e9);
  if (s >= 3600) return `${Math.floor(s / 3600)} h ${Math.floor(s % 3600 / 60)} min`;
  if (s >= 60) return `${Math.floor(s / 60)} min ${s % 60} s`;
  if (ns >= 1e9) return `${(ns / 1e9).toPrecision(3)} s`;
  if (ns >= 1e6) return `${(ns / 1e6).toPrecision(4)} ms`;
  return ns >= 1e3 ? `${(ns / 1e3).toPrecision(4)} µs` : `${ns} ns`;
}

const count = (n) => n === null || n === undefined
  ? null : n.toLocaleString("en").replaceAll(",", "\u202f");
const percent = (share) => share === null || share === undefined
  ? null : `${Number((100 * share).toPrecision(4))} %`;

function fill(list, rows) {
  const parts = [];
  for (const [name, value, bad] of rows) {
    const row = document.createElement("div");
    const dt = document.createElement("dt"), dd = document.createElement("dd");
    dt.textContent = name;
    dd.textContent = value ?? "not observable";
    if (value === null || value === undefined) dd.dataset.kind = "none";
    else if (bad) dd.dataset.kind = "bad";
    row.append(dt, dd);
    parts.push(row);
  }
  list.replaceChildren(...parts);
}

function say(text, kind) {
  if (text === told) return;  // else a screen reader would read it every time
  told = text;
  at("state").textContent = text;
  at("state").dataset.kind = kind;
}

function state(now) {
  const words = {
    running: "Running", paused: "Paused", waiting: "Waiting for the link",
    ended: "Ended",
  };
  let text = words[now.state] ?? "Nothing is known yet";
  if (now.verdict) text += `: ${now.verdict}`;
  if (now.reason) text += `. ${now.reason}`;
  const open = now.state !== "running" || now.verdict === "VOID";
  say(text, now.verdict === "FAIL" ? "bad" : open && !now.verdict ? "open" : "");
}

function figures(now) {
  const n = now.packets, rows = [
    ["Sent", count(n.offered)], ["Shown", count(n.shown)],
    ["Lost", count(n.lost), n.lost > 0], ["Wrong data", count(n.corrupt), n.corrupt > 0],
    ["Stray", count(n.stray), n.stray > 0], ["Late", count(n.late), n.late > 0],
  ];
  if (now.upper !== null) {
    rows.push([`Loss below, at ${percent(now.confidence) ?? "?"}`, now.upper.toPrecision(3)]);
  }
  rows.push(["Awake since the start", length(now.awake_ns) ?? "not known"]);
  if (now.total_ns !== null && now.awake_ns !== null &&
      now.total_ns - now.awake_ns > 1e9) {
    rows.push(["Asleep", length(now.total_ns - now.awake_ns)]);
  }
  if (now.left_ns !== null) rows.push(["Left", length(now.left_ns)]);
  fill(at("figures"), rows);
  const bar = at("bar");
  bar.hidden = now.share === null;
  if (now.share !== null) {
    const share = Math.min(100, Math.max(0, 100 * now.share));
    bar.setAttribute("aria-valuenow", share.toFixed(0));
    bar.firstElementChild.style.width = `${share}%`;
  }
}

function bar(kind, x, y, width, height) {
  const rect = document.createElementNS(SVG, "rect");
  rect.setAttribute("class", kind);
  for (const [k, v] of Object.entries({x, y, width, height})) rect.setAttribute(k, v);
  return rect;
}

function ribbon(recent) {
  const svg = at("ribbon");
  svg.toggleAttribute("hidden", recent.length === 0);
  if (!recent.length) return;
  const most = Math.max(1, ...recent.map((one) => one.offered ?? 0));
  const step = 720 / Math.max(60, recent.length), parts = [];
  let lossy = 0, spoilt = 0;
  recent.forEach((one, k) => {
    const high = 60 * (one.offered ?? 0) / most;
    parts.push(bar("sent", k * step, 90 - high, 0.8 * step, high));
    if (one.void) { spoilt++; parts.push(bar("void", k * step, 0, 0.8 * step, 6)); }
    if (one.lost > 0) {
      lossy++;
      const share = Math.min(1, one.lost / Math.max(1, one.offered));
      parts.push(bar("lost", k * step, 10, 0.8 * step, 6 + 14 * share));
    }
  });
  svg.replaceChildren(...parts);
  at("ribbon-told").textContent = `The last ${recent.length} intervals, the latest at ` +
    `the right: packets were lost in ${lossy} of them (marks above the bars), and ` +
    `${spoilt} say nothing, since the host spoilt them (marks at the top).`;
}

function interval(one) {
  if (!one) { at("interval").replaceChildren(); return; }
  const n = one.packets, t = one.latency_ns, h = one.health;
  const rows = [
    ["Interval", count(one.number)], ["Sent in it", count(n.offered)],
    ["Lost in it", count(n.lost), n.lost > 0],
    ["Latency, median", length(t.p50)], ["Latency, 99 %", length(t.p99)],
  ];
  for (const [name, value] of [
    ["Queue ran dry", count(h.queue_dry)], ["Lateness, 99 %", length(h.lateness_p99_ns)],
    ["Processor in use", percent(h.processor_share)],
    ["Memory free", percent(h.memory_free_share)],
    ["Adapter errors", count(h.adapter_errors)],
  ]) if (value !== null) rows.push([name, value]);
  for (const [name, value] of one.readings) rows.push([name, value]);
  for (const why of one.void) rows.push(["Void", why, true]);
  fill(at("interval"), rows);
}

function events(list) {
  at("no-events").hidden = list.length > 0;
  at("events").replaceChildren(...list.slice().reverse().map((one) => {
    const item = document.createElement("li"), when = document.createElement("span");
    const lasted = one.to_ns !== null && one.from_ns !== null
      ? length(one.to_ns - one.from_ns) : null;
    when.textContent = [one.at ?? length(one.from_ns), lasted && `for ${lasted}`]
      .filter(Boolean).join(", ");
    item.append([one.event, one.text].filter(Boolean).join(": "), " ", when);
    return item;
  }));
}

function draw(now) {
  at("profile").textContent = now.profile ?? "nightbench";
  document.title = `${now.verdict ?? now.state ?? ""} ${now.profile ?? ""} nightbench`.trim();
  const dut = Object.entries(now.dut).filter(([, text]) => text)
    .map(([word, text]) => `${word} ${text}`);
  at("about").textContent = [...dut, now.link && `link ${now.link}`, now.at]
    .filter(Boolean).join(", ");
  state(now);
  figures(now);
  ribbon(now.recent);
  interval(now.interval);
  events(now.events);
}

async function ask() {
  try {
    const headers = token ? {Authorization: `Bearer ${token}`} : {};
    const answer = await fetch("/snapshot", {
      headers, cache: "no-store", signal: AbortSignal.timeout(PATIENCE_MS),
    });
    if (answer.status === 401) {
      say("This page needs the token: open the whole address that the bench printed.", "open");
    } else if (answer.ok) {
      draw(await answer.json());
      heard = new Date();
    }
  } catch {
    const since = heard ? ` since ${heard.toLocaleTimeString()}` : "";
    say(`The bench does not answer${since}; what stands below is old.`, "open");
  }
  setTimeout(ask, EVERY_MS);
}

addEventListener("hashchange", () => location.reload());
ask();
