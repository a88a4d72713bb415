// What beams heard under the pointer: the A-scans kept nearest to it, asked for one at a time. Without
// this script the links at the indications lead to the same.
const place = document.querySelector("[data-heard]");
const figure = document.querySelector("figure[data-stretch]");

let asking = false;
let wanted = null;

async function show() {
  if (asking || !wanted) return;
  asking = true;
  const { z, across } = wanted;
  wanted = null;
  try {
    const came = await fetch(`${place.dataset.heard}?z_m=${z.toFixed(4)}&across=${across.toFixed(4)}&part=1`);
    if (came.ok) {
      const parsed = new DOMParser().parseFromString(await came.text(), "text/html");
      place.replaceChildren(...parsed.body.children);
      place.dataset.at = z.toFixed(4);
    }
  } catch {
    // What stands stays; the next movement asks again.
  }
  asking = false;
  if (wanted) requestAnimationFrame(show);
}

figure?.addEventListener("pointermove", (event) => {
  const svg = figure.querySelector("svg");
  if (!svg?.contains(event.target) || event.buttons) return;
  const { alongFrom, alongTo, alongStart, alongLength, acrossTop, acrossHeight } = figure.dataset;
  const point = new DOMPoint(event.clientX, event.clientY).matrixTransform(svg.getScreenCTM().inverse());
  const share = (point.x - Number(alongFrom)) / (Number(alongTo) - Number(alongFrom));
  const across = 1 - (point.y - Number(acrossTop)) / Number(acrossHeight);
  if (share < 0 || share > 1 || across < 0 || across > 1) return;
  wanted = { z: Number(alongStart) + share * Number(alongLength), across };
  show();
});
