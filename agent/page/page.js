// Keeps the page current. Anything that stops that is said at once: an old "released" is worse than none.
"use strict";

const SILENT_MS = 6000;
const OLD_S = 10;
const lost = document.getElementById("lost");
let heard = Date.now();
let since = new Date();
let age = 0;

function time(moment) {
  return moment.toTimeString().slice(0, 8);
}

function judge() {
  const silent = Date.now() - heard > SILENT_MS;
  const old = silent || age > OLD_S || age < 0;
  document.body.classList.toggle("old", old);
  lost.hidden = !silent;
  if (silent) lost.textContent = `Not current: no word from the agent since ${time(since)}`;
}

function alive() {
  heard = Date.now();
  since = new Date();
  judge();
}

async function refresh() {
  try {
    const answer = await fetch("cells", { cache: "no-store" });
    // The server escapes everything that came from outside.
    if (answer.ok) document.getElementById("cells").innerHTML = await answer.text();
  } catch {
    // The next beat, or its absence, tells.
  }
}

function draw(figure, curve, open) {
  const reading = figure.querySelector(".reading");
  const line = figure.querySelector("polyline");
  if (!curve || !curve.t.length) return;
  const least = Math.min(...curve.g);
  const most = Math.max(...curve.g);
  // Noise alone must not look like a shot: at least 5 g are in sight.
  const more = Math.max(0, 5 - (most - least)) / 2;
  const low = least - more;
  const high = most + more;
  const room = (high - low) * 0.08;
  const across = (t) => (600 * (t + 60)) / 60;
  const down = (g) => 200 - (200 * (g - low + room)) / (high - low + 2 * room);
  line.setAttribute("points", curve.t.map((t, i) => `${across(t).toFixed(1)},${down(curve.g[i]).toFixed(1)}`).join(" "));
  reading.textContent = `${curve.g[curve.g.length - 1].toFixed(1)} g${open.length ? `, ${open.join(" and ")} spraying` : ""}`;
  figure.classList.toggle("spraying", open.length > 0);
  figure.querySelector(".range").textContent = `${least.toFixed(1)} to ${most.toFixed(1)} g`;
}

function listen() {
  const events = new EventSource("events");
  events.addEventListener("state", () => {
    alive();
    refresh();
  });
  events.addEventListener("beat", (event) => {
    age = Number(event.data);
    alive();
  });
  events.addEventListener("curve", (event) => {
    const cells = JSON.parse(event.data);
    for (const figure of document.querySelectorAll("figure[data-scale]")) {
      const cell = cells[figure.dataset.cell];
      if (cell) draw(figure, cell.scales[figure.dataset.scale], cell.open);
    }
    const spraying = document.querySelector("figure.spraying") !== null;
    document.querySelector(".live").classList.toggle("spraying", spraying);
  });
  events.addEventListener("error", () => {
    // A refusal ends an EventSource for good; a lost line does not.
    if (events.readyState === EventSource.CLOSED) setTimeout(listen, 5000);
  });
}

setInterval(judge, 500);
listen();
