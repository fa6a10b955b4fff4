"use strict";
// Asks for the page anew every two seconds and fills in the regions that changed. What is the same is not touched, so that nobody
// loses his place: the focus stays on its link, what was opened stays open, and only the newest is read out.

const EVERY_MS = 2000, words = document.body.dataset, byId = id => document.getElementById(id);
let tag = "", heard = performance.now();

function place(element) {
  // A link by where it leads, all else by its place among its like in its region.
  if (element.id) return `#${CSS.escape(element.id)}`;
  return element.matches("a[href]") ? `a[href="${CSS.escape(element.getAttribute("href"))}"]` : "";
}

function fill(old, fresh) {
  if (old.innerHTML === fresh.innerHTML) return;
  const focus = old.contains(document.activeElement) ? place(document.activeElement) : "";
  const open = [...old.querySelectorAll("details[open] > summary")].map(each => each.textContent);
  old.replaceChildren(...fresh.childNodes);
  for (const summary of old.querySelectorAll("details > summary")) {
    if (open.includes(summary.textContent)) summary.parentElement.open = true;
  }
  if (focus) old.querySelector(focus)?.focus({preventScroll: true});
}

async function look() {
  try {
    const answer = await fetch(location.href, {headers: tag ? {"if-none-match": tag} : {}, signal: AbortSignal.timeout(10000)});
    if (answer.redirected || answer.status === 401 || answer.status === 403) return location.reload();
    if (answer.ok) {
      const fresh = new DOMParser().parseFromString(await answer.text(), "text/html");
      tag = answer.headers.get("etag") || "";
      for (const region of document.querySelectorAll(".region")) {
        const its = fresh.getElementById(region.id);
        if (its) fill(region, its);
      }
      const said = fresh.getElementById("said").textContent;
      if (byId("said").textContent !== said) byId("said").textContent = said;
    }
    if (answer.ok || answer.status === 304) heard = performance.now();
  } catch {
    // It is told below, and asked again.
  }
  const silence = Math.floor((performance.now() - heard) / 1000), line = byId("silent"), old = silence >= Number(words.after);
  line.hidden = !old;
  const told = old ? words.silent.replace("{s}", silence) : "";
  if (line.textContent !== told) line.textContent = told;
  document.body.classList.toggle("stale", old);
}

let looking = false;
async function again() {
  if (looking || document.visibilityState !== "visible") return;
  looking = true;
  await look();
  looking = false;
}

setInterval(again, EVERY_MS);
document.addEventListener("visibilitychange", again);
addEventListener("online", again);
