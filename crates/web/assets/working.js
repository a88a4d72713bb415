// Follows work under way; the page is loaded again at its end. Without this script the page is
// loaded again by hand.
const section = document.querySelector("[data-work]");
const bar = section.querySelector("progress");

async function look() {
  try {
    const came = await fetch(section.dataset.work);
    const work = came.ok ? await came.json() : null;
    if (!work?.running) {
      location.reload();
      return;
    }
    section.querySelector("[data-seconds]").textContent = work.seconds;
    if (work.share === null) bar.removeAttribute("value");
    else bar.value = work.share;
  } catch {
    // The service may come again.
  }
  setTimeout(look, 500);
}
look();
