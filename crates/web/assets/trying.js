// Sliders that compute while they are moved. One question at a time: what was moved meanwhile is
// asked next, as it stands then. Without this script the form is sent by its button.
import { dress } from "./pictures.js";
import { said } from "./words.js";

const form = document.querySelector("form[data-trial]");
const answer = document.querySelector("[data-answer]");
let asking = false;
let again = false;

const say = (input) => {
  const out = form.querySelector(`output[for="${input.id}"]`);
  const unit = document.createElement("span");
  unit.className = "unit";
  unit.textContent = out.dataset.unit;
  out.replaceChildren(`${input.value} `, unit);
};

async function ask() {
  if (asking) {
    again = true;
    return;
  }
  asking = true;
  answer.setAttribute("aria-busy", "true");
  const asked = new URLSearchParams(new FormData(form));
  try {
    const came = await fetch(`${form.action}?${asked}&part=1`);
    if (came.ok) {
      const content = document.createElement("template");
      content.innerHTML = await came.text();
      answer.replaceChildren(content.content);
    } else {
      answer.textContent = said("The service answers with {status}; load the page again.", { status: came.status });
    }
    dress(answer);
    // The address says what is shown, so that it can be kept or sent.
    history.replaceState(null, "", `${form.action}?${asked}`);
  } catch {
    answer.textContent = said("The service does not answer; what was shown may be old.");
  }
  answer.removeAttribute("aria-busy");
  asking = false;
  if (again) {
    again = false;
    ask();
  }
}

for (const input of form.querySelectorAll("input")) {
  input.addEventListener("input", () => {
    say(input);
    ask();
  });
}
form.addEventListener("submit", (event) => {
  event.preventDefault();
  ask();
});
