// Looks again while the page is open and seen. Without this script the page is whole; it is as old as its reading says.
"use strict";

const EVERY_MS = 20000;

function openPlaces() {
  return [...document.querySelectorAll("article[id]")]
    .filter((article) => article.querySelector("details[open]"))
    .map((article) => article.id);
}

async function lookAgain() {
  // Whoever reads a selection or walks with the keyboard is not to lose their place.
  const isBusy = document.querySelector("main")?.contains(document.activeElement) || !document.getSelection().isCollapsed;
  if (document.hidden || isBusy) return;
  let text;
  try {
    const answer = await fetch("/", { cache: "no-store" });
    text = await answer.text();
  } catch {
    document.body.classList.add("lost");
    return;
  }
  document.body.classList.remove("lost");
  const fresh = new DOMParser().parseFromString(text, "text/html");
  const open = openPlaces();
  document.title = fresh.title;
  for (const part of ["header", "main"]) {
    const now = document.querySelector(part);
    const then = fresh.querySelector(part);
    if (now && then && now.innerHTML !== then.innerHTML) now.innerHTML = then.innerHTML;
  }
  for (const id of open) {
    document.getElementById(id)?.querySelectorAll("details").forEach((details) => { details.open = true; });
  }
}

setInterval(lookAgain, EVERY_MS);
document.addEventListener("visibilitychange", lookAgain);
