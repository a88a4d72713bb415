// Fields and text of an order say the same while either is written. Without this script the text
// alone is written and sent.
import { said } from "./words.js";

const form = document.querySelector("form[data-order]");
if (form) {
  const text = form.querySelector("#text");
  const problem = form.querySelector("[data-problem]");
  const fields = [...form.querySelectorAll("[data-key]")];
  form.querySelector("[data-fields]").hidden = false;
  let waiting = null;
  let asked = 0;

  /** Shows the groups whose table is there. */
  const showGroups = (values) => {
    for (const group of form.querySelectorAll("[data-needs]")) {
      const needs = group.dataset.needs;
      group.hidden = needs !== "" && !Object.keys(values).some((key) => key.startsWith(`${needs}.`));
    }
  };
  showGroups(Object.fromEntries(fields.filter((f) => f.value).map((f) => [f.dataset.key, f.value])));

  const show = (looked) => {
    if (document.activeElement !== text && text.value !== looked.text) text.value = looked.text;
    if (looked.values) {
      for (const field of fields) {
        if (document.activeElement !== field) field.value = looked.values[field.dataset.key] ?? "";
      }
      showGroups(looked.values);
    }
    const p = looked.problem;
    for (const field of fields) {
      const wrong = Boolean(p) && p.key === field.dataset.key;
      field.setAttribute("aria-invalid", String(wrong));
      field.parentElement.querySelector(".problem").textContent = wrong ? p.words : "";
    }
    problem.querySelector("svg")?.remove();
    problem.classList.toggle("split", Boolean(p));
    problem.textContent = !p ? said("This is an order.") : p.line ? said("Line {line}, {key}: {words}", p) : `${p.key}: ${p.words}`;
    form.querySelector("button[type=submit]")?.toggleAttribute("disabled", Boolean(p));
  };

  const look = (key, value) => {
    clearTimeout(waiting);
    waiting = setTimeout(async () => {
      asked += 1;
      const mine = asked;
      try {
        const came = await fetch(form.dataset.look, {
          method: "POST",
          body: new URLSearchParams({ text: text.value, key, value }),
        });
        // A later question has been asked meanwhile.
        if (mine !== asked) return;
        if (came.ok) show(await came.json());
        else problem.textContent = said("The service answers with {status}: what is written here is not checked.", { status: came.status });
      } catch {
        problem.textContent = said("The service does not answer: what is written here is not checked and not kept.");
      }
    }, 120);
  };

  for (const field of fields) field.addEventListener("input", () => look(field.dataset.key, field.value));
  text.addEventListener("input", () => look("", ""));
}
