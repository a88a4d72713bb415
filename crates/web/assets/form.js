// Light or dark: follows the system until someone chooses; the choice is kept on this machine.
// Not a module, so that it acts before the page is drawn.
(() => {
  const key = "barwright-form";
  const root = document.documentElement;
  let kept = null;
  try {
    kept = localStorage.getItem(key);
  } catch {
    // Without storage the system decides.
  }
  if (kept === "light" || kept === "dark") root.dataset.form = kept;

  const isDark = () =>
    root.dataset.form ? root.dataset.form === "dark" : matchMedia("(prefers-color-scheme: dark)").matches;

  document.addEventListener("DOMContentLoaded", () => {
    const button = document.querySelector("[data-form-switch]");
    if (!button) return;
    const say = () => {
      const { wordsLight, wordsDark, wordsToLight, wordsToDark } = button.dataset;
      button.textContent = isDark() ? wordsLight : wordsDark;
      button.setAttribute("aria-label", isDark() ? wordsToLight : wordsToDark);
    };
    button.hidden = false;
    say();
    button.addEventListener("click", () => {
      root.dataset.form = isDark() ? "light" : "dark";
      try {
        localStorage.setItem(key, root.dataset.form);
      } catch {
        // It holds for this page only.
      }
      say();
    });
  });
})();
