// Reads the page again while it is open and seen. Without this script the page is whole; it is as old as its reading says.
"use strict";

const EVERY_MS = 1000 * Number(document.body.dataset.every);
const HOLD_MS = 60000; // a selection holds the page back for so long at most
const LATE_SECONDS = Number(document.body.dataset.late);
const UNITS = [["day", 86400], ["hour", 3600], ["minute", 60], ["second", 1]];

let loadedAt = performance.now();
let selectedAt = null;

function isHeld() {
  if (document.getSelection().isCollapsed) {
    selectedAt = null;
    return false;
  }
  selectedAt ??= performance.now();
  return performance.now() - selectedAt < HOLD_MS;
}

function sayAge(seconds) {
  const [unit, length] = UNITS.find(([, seconds_each]) => seconds >= seconds_each) ?? UNITS[3];
  const count = Math.floor(seconds / length);
  return `${count} ${unit}${count === 1 ? "" : "s"} ago`;
}

function showAge() {
  const age = document.querySelector(".age");
  if (!age) return;
  const seconds = Number(age.dataset.seconds) + (performance.now() - loadedAt) / 1000;
  age.textContent = sayAge(seconds);
  document.body.classList.toggle("late", seconds > LATE_SECONDS);
}

function showLocalTimes() {
  if (new Date().getTimezoneOffset() === 0) return;
  for (const time of document.querySelectorAll("time")) {
    time.title = time.textContent;
    time.textContent = new Date(time.dateTime).toLocaleString([], { dateStyle: "medium", timeStyle: "short" });
  }
}

// Where an element stands: the nearest name above it, and the how manieth of its kind it is there.
function placeOf(element) {
  const named = element.closest("[id]") ?? document.body;
  return { id: named.id, tag: element.tagName, index: [...named.querySelectorAll(element.tagName)].indexOf(element) };
}

function atPlace({ id, tag, index }) {
  const named = id ? document.getElementById(id) : document.body;
  return named?.tagName === tag && index < 0 ? named : named?.querySelectorAll(tag)[index];
}

async function readAgain() {
  if (document.hidden || isHeld()) return;
  // A guide stays as it was when the box went off: after that the drive may be another.
  if (document.body.classList.contains("lost") && document.querySelector("main.guide")) return;
  let fresh = null;
  try {
    const answer = await fetch(location.href, { cache: "no-store" });
    fresh = new DOMParser().parseFromString(await answer.text(), "text/html");
  } catch {
    // Nobody answered: said below.
  }
  // What a proxy says in the service's place is no page of the service.
  document.body.classList.toggle("lost", !fresh?.body.dataset.late);
  if (!fresh?.body.dataset.late) return;
  const open = [...document.querySelectorAll("details[open]")].map(placeOf);
  const focused = document.activeElement === document.body ? null : placeOf(document.activeElement);
  document.title = fresh.title;
  for (const part of ["header", "main"]) {
    document.querySelector(part).innerHTML = fresh.querySelector(part).innerHTML;
  }
  loadedAt = performance.now();
  for (const place of open) atPlace(place)?.setAttribute("open", "");
  if (focused) atPlace(focused)?.focus({ preventScroll: true });
  showAge();
  showLocalTimes();
}

showLocalTimes();
setInterval(showAge, 1000);
setInterval(readAgain, EVERY_MS);
document.addEventListener("visibilitychange", readAgain);
