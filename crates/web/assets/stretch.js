// Closer looks at a bar unrolled: by buttons, keys, wheel with Ctrl, and by dragging. Each stretch is
// drawn anew by the service, sharp and with its own axis; one is asked for at a time.
import { read } from "./pictures.js";
import { said } from "./words.js";

function follow(figure) {
  const { stretch, whole, shortest } = figure.dataset;
  const length = Number(whole);
  const least = Math.min(Number(shortest), length);
  const canvas = figure.querySelector(".canvas");
  let [from, to] = [0, length];
  let asking = false;
  let again = false;
  let drawn = 0;

  const draw = async () => {
    if (asking) {
      again = true;
      return;
    }
    asking = true;
    const [a, b] = [from, to];
    try {
      const came = await fetch(`${stretch}?from_m=${a}&to_m=${b}`);
      if (came.ok) {
        const parsed = new DOMParser().parseFromString(await came.text(), "image/svg+xml");
        canvas.querySelector("svg").replaceWith(document.importNode(parsed.documentElement, true));
        figure.dataset.alongStart = a;
        figure.dataset.alongLength = b - a;
        read(figure);
        drawn += 1;
        figure.dataset.drawn = drawn;
      }
    } catch {
      // The picture that stands stays; the next movement asks again.
    }
    asking = false;
    if (again) {
      again = false;
      requestAnimationFrame(draw);
    }
  };

  /** Shows a stretch about a middle, as far as the bar goes. */
  const show = (middle, span) => {
    const wanted = Math.min(length, Math.max(least, span));
    from = Math.min(length - wanted, Math.max(0, middle - wanted / 2));
    to = from + wanted;
    draw();
  };
  const middle = () => (from + to) / 2;
  const closer = (factor, about = middle()) => show(about + (middle() - about) * factor, (to - from) * factor);
  const along = (share) => show(middle() + share * (to - from), to - from);

  const buttons = document.createElement("div");
  buttons.className = "closer";
  for (const [words, act] of [
    [said("Closer"), () => closer(0.5)],
    [said("Wider"), () => closer(2)],
    [said("Towards the head"), () => along(-0.25)],
    [said("Towards the tail"), () => along(0.25)],
    [said("Whole bar"), () => show(length / 2, length)],
  ]) {
    const button = document.createElement("button");
    button.type = "button";
    button.textContent = words;
    button.addEventListener("click", act);
    buttons.append(button);
  }
  figure.insertBefore(buttons, figure.querySelector("figcaption"));

  canvas.addEventListener("keydown", (event) => {
    const act = {
      ArrowLeft: () => along(-0.1),
      ArrowRight: () => along(0.1),
      Home: () => show(0, to - from),
      End: () => show(length, to - from),
      "+": () => closer(0.8),
      "-": () => closer(1.25),
      0: () => show(length / 2, length),
    }[event.key];
    if (!act || event.ctrlKey || event.metaKey || event.altKey) return;
    event.preventDefault();
    act();
  });

  /** Metres of the bar in a pixel of the screen, and the place under the pointer. */
  const scale = () => {
    const svg = canvas.querySelector("svg");
    const pixels = (Number(figure.dataset.alongTo) - Number(figure.dataset.alongFrom)) * svg.getScreenCTM().a;
    return (to - from) / pixels;
  };
  const under = (event) => {
    const svg = canvas.querySelector("svg");
    const left = svg.getBoundingClientRect().left + Number(figure.dataset.alongFrom) * svg.getScreenCTM().a;
    return from + (event.clientX - left) * scale();
  };
  canvas.addEventListener("wheel", (event) => {
    if (!event.ctrlKey) return;
    event.preventDefault();
    closer(event.deltaY > 0 ? 1.15 : 1 / 1.15, under(event));
  }, { passive: false });
  let held = null;
  canvas.addEventListener("pointerdown", (event) => {
    if (event.button !== 0 || to - from >= length) return;
    held = { x: event.clientX, middle: middle() };
    canvas.setPointerCapture(event.pointerId);
  });
  canvas.addEventListener("pointermove", (event) => {
    if (held) show(held.middle - (event.clientX - held.x) * scale(), to - from);
  });
  for (const end of ["pointerup", "pointercancel"]) canvas.addEventListener(end, () => { held = null; });
}

document.querySelectorAll("figure[data-stretch]").forEach(follow);
