// Read-outs under the pointer and an enlarged form for pictures. Without this script every
// picture still stands, and the table behind it says the same.

import { said } from "./words.js";

/** The words of the innermost titled part under the pointer; the picture's own title is no part. */
function wordsAt(target, svg) {
  for (let node = target; node && node !== svg; node = node.parentNode) {
    const title = [...node.children].find((c) => c.tagName === "title");
    if (title) return title.textContent;
  }
  return "";
}

/** A place along the bar: the picture says where its axis begins and ends, in its own units. */
function alongAt(event, figure, svg) {
  const { alongFrom, alongTo, alongStart, alongLength } = figure.dataset;
  if (!alongLength) return "";
  const point = new DOMPoint(event.clientX, event.clientY).matrixTransform(svg.getScreenCTM().inverse());
  const share = (point.x - Number(alongFrom)) / (Number(alongTo) - Number(alongFrom));
  if (share < 0 || share > 1) return "";
  const { way, wayUnit, comma } = document.documentElement.dataset;
  const place = ((Number(alongStart ?? 0) + share * Number(alongLength)) / Number(way ?? 1)).toFixed(3);
  const shown = `${comma === undefined ? place : place.replace(".", ",")} ${wayUnit ?? "m"}`;
  return said("{place} from the head end", { place: shown });
}

/** Gives a picture its read-out and its enlarged form. */
function dressOne(figure) {
  const svg = figure.querySelector("svg");
  if (!svg) return;
  const out = document.createElement("output");
  const larger = document.createElement("button");
  larger.type = "button";
  larger.textContent = said("Enlarge");
  larger.setAttribute("aria-pressed", "false");
  larger.addEventListener("click", () => {
    const on = figure.classList.toggle("enlarged");
    larger.textContent = on ? said("Fit") : said("Enlarge");
    larger.setAttribute("aria-pressed", String(on));
  });
  figure.append(larger, out);
  read(figure);
}

/** Reads out what rests under the pointer, for the picture that stands in a figure now. */
export function read(figure) {
  const svg = figure.querySelector("svg");
  const out = figure.querySelector("output");
  svg.addEventListener("pointermove", (event) => {
    out.textContent = [alongAt(event, figure, svg), wordsAt(event.target, svg)].filter(Boolean).join(" · ");
  });
  svg.addEventListener("pointerleave", () => {
    out.textContent = "";
  });
}

/** Dresses all pictures within a part of the page. */
export function dress(part) {
  part.querySelectorAll("figure.picture").forEach(dressOne);
}

dress(document);
