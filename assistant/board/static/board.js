"use strict";
// Keeps the page alive: takes the regions that changed, counts the clocks down, says when nothing is heard.
// Times are the station's boot clock, in s. No clock of this phone is believed but how long ago something was: performance.now.

const words = document.body.dataset, byId = id => document.getElementById(id);
const BEAT_S = 5, SILENT_S = Number(words.after);
let stream, again, patience = 1, asked = here();      // when this stream was opened, and how long it may take, in s
let ahead = here() - Number(words.sent);    // of this page's clock before the station's; the least delayed message knows best
let at = Number(words.at), heard = here();
const shown = new Map();        // what each region was last told

function here() { return performance.now() / 1000; }

function left(seconds) {
  const whole = Math.max(0, Math.ceil(seconds)), two = n => String(n).padStart(2, "0");
  const hours = Math.floor(whole / 3600), minutes = Math.floor(whole / 60) % 60;
  return hours ? `${hours}:${two(minutes)}:${two(whole % 60)}` : `${minutes}:${two(whole % 60)}`;
}

function tick() {
  const now = here() - ahead, silence = now - at;
  for (const clock of document.querySelectorAll("[data-ends]")) {
    const text = left(Number(clock.dataset.ends) - now);
    if (clock.textContent !== text) clock.textContent = text;
    clock.classList.toggle("long", text.length > 5);
  }
  const told = [];
  if (at > 0 && silence >= SILENT_S) told.push(words.silent.replace("{s}", Math.floor(silence)));
  if (heard < asked && here() - asked > patience) told.push(words.asking);
  const line = byId("silent");
  line.hidden = !told.length;
  if (line.textContent !== told.join(" ")) line.textContent = told.join(" ");
  document.body.classList.toggle("stale", told.length > 0);
}

function take(event) {
  const news = JSON.parse(event.data), delay = here() - news.sent;
  ahead = heard < asked ? delay : Math.min(ahead, delay);     // a stream's first message may be the only one for a while
  heard = here();
  at = news.at;
  for (const [name, html] of Object.entries(news.regions)) {
    const place = byId(name), fresh = document.createElement("template");
    if (!place || shown.get(name) === html) continue;
    shown.set(name, html);
    fresh.innerHTML = html;
    if (place.innerHTML !== fresh.innerHTML) place.replaceChildren(fresh.content);    // what is the same is not read out again
  }
  tick();
}

function listen() {
  clearTimeout(again);
  if (stream) stream.close();
  asked = here();
  patience = slept() ? -1 : 1;      // its clock may have stood still too: what it shows is old until it has heard
  before = Date.now();
  stream = new EventSource(`/events?page=${words.page}`);
  stream.onmessage = take;
  stream.onerror = () => {
    if (stream.readyState !== EventSource.CLOSED) return;   // it tries again by itself
    again = setTimeout(check, 2000);
  };
}

// Refused: the phone is paired no more, or the board is full.
function check() {
  fetch(location.pathname, {method: "HEAD"}).then(answer => answer.redirected ? location.reload() : listen(), listen);
}

let before = Date.now();
function slept() { return Date.now() - before > 5000; }     // timers stood still

setInterval(() => {
  if (slept() || here() - Math.max(heard, asked) > 2 * BEAT_S + 2) listen();
  before = Date.now();
  tick();
}, 250);

// The screen stays on, where the browser allows it: only over a secure connection, and only in front.
async function stayOn() {
  try {
    await navigator.wakeLock.request("screen");
    byId("screen").textContent = words.awake;
  } catch {
    byId("screen").textContent = words.sleeps;
  }
}

document.addEventListener("visibilitychange", () => {
  if (document.visibilityState !== "visible") return;
  listen();
  stayOn();
});
addEventListener("online", listen);
addEventListener("pageshow", event => event.persisted && listen());

listen();
tick();
stayOn();
