// Keeps the page live: builds what live.html builds, from the document that the stream sends, and says when it stops.
// Names come from files and from the broker, so everything is made of elements and text, never of markup.
const SILENCE_MS = 12000; // the service sends every 5 s at least
const ROWS = ["pending", "active", "held"]; // limits that get a row of their own
const RETRY_MS = 3000;
const live = document.getElementById("live");
const lost = document.getElementById("lost");
const link = document.getElementById("link");
const said = document.getElementById("said");
let source = null;
let heardAt = 0;
let asOf = live.querySelector("time").textContent;
let known = new Set([...live.querySelectorAll("li.alarm")].map((item) => item.dataset.key));

// ---------------------------------------------------------------- building

function build(node, attributes, children) {
  for (const [name, value] of Object.entries(attributes)) node.setAttribute(name, String(value));
  for (const child of children.flat(Infinity)) if (child !== null) node.append(child);
  return node;
}

const h = (tag, attributes, ...children) => build(document.createElement(tag), attributes, children);
const s = (tag, attributes, ...children) =>
  build(document.createElementNS("http://www.w3.org/2000/svg", tag), attributes, children);
const yes = (flag) => (flag ? "yes" : "no");
const mark = () => h("span", { class: "mark", "aria-hidden": "true" });

function top(seen) {
  return h("div", { class: "top" },
    h("h1", {}, seen.enterprise),
    h("p", { class: "clock" }, h("time", { datetime: seen.now }, seen.now_says), " ",
      h("span", {}, "Times in " + seen.zones.join(", "))),
    seen.clock ? h("p", { class: "demo" }, seen.clock) : null);
}

function notice(lines) {
  if (!lines.length) return null;
  return h("div", { class: "notice", role: "status" }, h("strong", {}, "The service is not ready."), " ",
    h("ul", {}, lines.map((line) => h("li", {}, line))));
}

function needs(seen) {
  return h("nav", { "aria-label": "Collectors by need" }, seen.needs.map((need) =>
    h("a", { href: "#" + need.anchor, "data-need": need.need, "data-none": yes(need.count === 0) },
      mark(), h("b", {}, String(need.count)), " ", h("span", {}, need.need))));
}

function alarm(one) {
  return h("li", { class: "alarm", "data-key": one.id, "data-state": one.state },
    h("p", { class: "what" }, mark(), h("strong", {}, one.what), " ",
      h("span", { class: "priority" }, one.priority + " priority")),
    h("p", { class: "where" }, one.where), h("p", {}, one.since), h("p", {}, one.why),
    h("ul", {}, one.told.map((told) => h("li", { "data-done": yes(told.done) }, told.says))));
}

function alarms(seen) {
  return h("section", { class: "alarms", "aria-label": "Active alarms" },
    h("h2", {}, "Active alarms"),
    seen.alarms.length ? null : h("p", { class: "none" }, "No alarm is active."),
    h("ol", {}, seen.alarms.map(alarm)));
}

function bar(point) {
  if (!point.limits.length) return null;
  return s("svg", { class: "bar", viewBox: "0 0 100 8", preserveAspectRatio: "none", "aria-hidden": "true" },
    s("rect", { class: "track", x: 0, y: 2, width: 100, height: 4 }),
    point.needle === null ? null : s("rect", { class: "needle", x: 0, y: 2, width: point.needle, height: 4 }),
    point.limits.filter((limit) => limit.tick !== null).map((limit) =>
      s("rect", { class: "tick", "data-state": limit.state, x: limit.tick, y: 0, width: 0.7, height: 8 })));
}

function limit(one) {
  return h("li", { "data-key": one.limit, "data-state": one.state },
    h("span", {}, one.head), " ", h("span", { class: "says" }, one.says),
    one.state === "pending" ? h("progress", { max: 1, value: one.share, "aria-label": "delay counted" }) : null);
}

function point(one) {
  return h("div", { class: "point", "data-key": one.name, "data-known": yes(one.known), "data-judged": yes(one.limits.length) },
    h("p", { class: "reading" },
      h("span", { class: "name" }, one.name, " ", one.quantity === one.name ? null : h("small", {}, one.quantity)), " ",
      h("b", { class: "value" }, one.says)),
    bar(one),
    h("p", { class: "note" }, h("span", {}, one.within), " ", h("span", { class: "age" }, one.note)),
    one.limits.length ? h("ul", { class: "limits" }, one.limits.filter((limit) => ROWS.includes(limit.state)).map(limit)) : null);
}

function card(one) {
  const attributes = { "data-key": one.id, "data-need": one.need, ...(one.anchor ? { id: one.anchor } : {}) };
  return h("article", attributes,
    h("p", { class: "need" }, mark(), one.need), h("h2", {}, one.name), h("p", { class: "id" }, one.id + ", " + one.kind),
    h("p", { class: "state" }, h("span", { "data-running": one.running }, one.running_says), " ",
      h("span", { "data-link": one.gateway_link }, one.link_says)),
    one.points.map(point));
}

function board(seen) {
  return h("main", { id: "board", tabindex: "-1", "aria-label": "Collectors" }, seen.collectors.map(card));
}

function quarantine(seen) {
  if (!seen.quarantine.length) return null;
  return h("section", { class: "counts", id: "quarantine", "aria-label": "Messages that could not be used" },
    h("h2", {}, "Messages that could not be used"),
    h("p", {}, seen.quarantine.map((one) => [h("span", {}, h("b", {}, String(one.count)), " ", one.name), " "])),
    h("p", {}, "Kept with their reasons: dustcake quarantine"));
}

function counts(seen) {
  return h("section", { class: "counts", "aria-label": "Counts" }, h("h2", {}, seen.service),
    h("p", {}, seen.counts.map((one) => [h("span", {}, h("b", {}, String(one.count)), " ", one.name), " "])));
}

// ---------------------------------------------------------------- changing what is there

// Changes `old` into `fresh` in place, so that focus, scroll place and the reader's position survive.
function morph(old, fresh) {
  for (const { name } of [...old.attributes]) if (!fresh.hasAttribute(name)) old.removeAttribute(name);
  for (const { name, value } of fresh.attributes) if (old.getAttribute(name) !== value) old.setAttribute(name, value);
  const keyed = new Map([...old.children].filter((child) => child.dataset.key).map((child) => [child.dataset.key, child]));
  let next = old.firstChild;
  for (const child of [...fresh.childNodes]) {
    const key = child.dataset?.key;
    const match = key ? keyed.get(key) : next;
    if (!match || match.nodeName !== child.nodeName || match.dataset?.key !== key) {
      old.insertBefore(child, next);
      continue;
    }
    if (match === next) next = next.nextSibling;
    else old.insertBefore(match, next);
    if (child.nodeType === Node.ELEMENT_NODE) morph(match, child);
    else if (match.data !== child.data) match.data = child.data;
  }
  while (next) {
    const gone = next;
    next = next.nextSibling;
    gone.remove();
  }
}

function show(seen) {
  const fresh = h("div", { id: "live" }, top(seen), notice(seen.not_ready), needs(seen), alarms(seen), board(seen),
    quarantine(seen), counts(seen));
  morph(live, fresh);
  const added = seen.alarms.filter((one) => !known.has(one.id));
  if (added.length) said.textContent = added.map((one) => "New alarm: " + one.what + ", " + one.where).join(". ");
  known = new Set(seen.alarms.map((one) => one.id));
  asOf = seen.now_says;
}

// ---------------------------------------------------------------- the link

function setLink(state, words) {
  document.body.dataset.link = state;
  link.textContent = words;
  lost.hidden = state !== "lost";
}

function isLost(reason) {
  const words = reason + " The values below are no longer live: they are from " + asOf + ".";
  if (lost.textContent !== words) lost.textContent = words;
  setLink("lost", "Not live.");
}

async function explain() {
  let reason = "Connection lost. Trying again.";
  try {
    const answer = await fetch("/readyz", { cache: "no-store" });
    if (answer.status === 503) reason = "The service answers, but it is not ready. Trying again.";
    const asked = await fetch("/api/v1/health", { cache: "no-store" });
    if (asked.status === 401) reason = "The key is no longer valid. Open the page with the link from: dustcake status.";
  } catch { /* the service does not answer: that is what the first sentence says */ }
  if (document.body.dataset.link === "lost") isLost(reason);
}

function connect() {
  source?.close();
  heardAt = Date.now();
  source = new EventSource("/api/v1/events");
  source.addEventListener("overview", (event) => {
    heardAt = Date.now();
    show(JSON.parse(event.data));
    setLink("live", "Live");
  });
  source.onerror = () => {
    isLost("Connection lost. Trying again.");
    if (source.readyState === EventSource.CLOSED) {
      explain();
      setTimeout(connect, RETRY_MS);
    }
  };
}

setInterval(() => {
  if (Date.now() - heardAt > SILENCE_MS && source.readyState !== EventSource.CLOSED) {
    isLost("Nothing has been heard from the service for " + SILENCE_MS / 1000 + " s. Trying again.");
    connect();
  }
}, 1000);
setLink("still", "Connecting");
connect();
