// Follows the lines: every section fills itself from its state and from the news that come. News are taken
// as they come and drawn once a frame, so that a flood of them does not hold up the page.
import { said } from "./words.js";

const root = document.documentElement.dataset;
const number = (x, digits = 0) => x.toLocaleString(root.comma === undefined ? "en-GB" : "de-DE", { minimumFractionDigits: digits, maximumFractionDigits: digits });
/** A way along a bar, in the unit that who looks has chosen. */
const unit = root.wayUnit ?? "m";
const way = (metres) => number(metres / Number(root.way ?? 1), 2);
const letter = (k) => (k < 26 ? String.fromCharCode(65 + k) : `${k + 1}`);
const SVG = "http://www.w3.org/2000/svg";
const LAST = 8;
const VERDICTS = { release: said("release"), crop: said("crop"), hold: said("hold"), reject: said("reject") };
/** Alarms drawn of a bar; more of them are counted. */
const DRAWN = 256;

function follow(section) {
  const part = (name) => section.querySelector(`[data-${name}]`);
  const fastest = Number(section.dataset.fastest ?? 0);
  let state = { bar: "", length_m: 0, z_m: 0, shots: 0, alarms: 0, uncoupled_beams: 0, uncoupled_m: [], speed_m_s: null, running: false };
  let alarms = 0;
  let waiting = [];
  let due = false;

  const say = (name, text) => { part(name).textContent = text; };
  const along = (z) => (state.length_m > 0 ? Math.min(1000, Math.max(0, (1000 * z) / state.length_m)) : 0);

  const shape = (name, attributes) => {
    const element = document.createElementNS(SVG, name);
    for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, value);
    return element;
  };

  const drawBar = () => {
    const x = along(state.z_m);
    part("passed").setAttribute("width", x);
    part("ahead").setAttribute("x", x);
    part("ahead").setAttribute("width", 1000 - x);
    const stretches = (state.uncoupled_m ?? []).map(([from, to]) =>
      shape("rect", { x: along(from), width: Math.max(1, along(to) - along(from)), y: 10, height: 110 }));
    part("uncoupled").replaceChildren(...stretches);
    const uncoupled = (state.uncoupled_m ?? []).reduce((sum, [from, to]) => sum + to - from, 0);
    say("length", state.length_m > 0 ? said("of {length}", { length: `${way(state.length_m)} ${unit}` }) : unit);
    say("end", state.length_m > 0 ? `${way(state.length_m)} ${unit}` : "");
    say("bar", state.bar || said("no bar"));
    say("words", state.running ? said("under the ring") : state.bar ? said("has passed") : said("nothing has run yet"));
    say("place", way(state.z_m));
    say("speed", state.speed_m_s === null || state.speed_m_s === undefined ? "–" : number(state.speed_m_s, 2));
    say("coupled", state.z_m > 0 ? number(100 * (1 - Math.min(1, uncoupled / state.z_m)), 1) : "–");
    say("shots", number(state.shots));
    say("count", number(Math.max(state.alarms, alarms)));
    say("coupling", number(state.uncoupled_beams));
    section.classList.toggle("running", state.running);
    part("speed").closest("div").classList.toggle("overdue", fastest > 0 && state.speed_m_s > 1.02 * fastest);
    part("coupling").closest("div").classList.toggle("overdue", state.uncoupled_beams > 0);
  };

  const markOf = (alarm, k) => {
    const x = along(alarm.z_m);
    // From 6 o'clock at the bottom, clockwise upward.
    const turn = (((-0.25 - Math.atan2(alarm.place.y, alarm.place.x) / (2 * Math.PI)) % 1) + 1) % 1;
    const y = 120 - 110 * turn;
    const group = shape("g", {});
    const name = shape("text", { x: Math.min(x + 12, 975), y: Math.max(24, y - 4) });
    name.textContent = letter(k);
    group.append(shape("path", { d: `M${x - 9} ${y}l9 -9l9 9l-9 9z`, class: alarm.class === "crack" ? "alarm crack" : "alarm" }), name);
    return group;
  };

  const draw = () => {
    due = false;
    part("alarms").append(...waiting);
    waiting = [];
    drawBar();
    section.dataset.drawn = Number(section.dataset.drawn ?? 0) + 1;
  };
  const drawSoon = () => {
    if (due) return;
    due = true;
    requestAnimationFrame(draw);
  };

  const began = (news) => {
    state = { ...state, bar: news.bar, length_m: news.length_m, z_m: 0, shots: 0, alarms: 0, uncoupled_beams: 0, uncoupled_m: [], speed_m_s: null, running: true };
    alarms = 0;
    waiting = [];
    part("alarms").replaceChildren();
  };

  const tell = (bar, words) => {
    const list = part("last");
    let item = [...list.children].find((li) => li.dataset.name === bar);
    if (!item) {
      item = document.createElement("li");
      item.dataset.name = bar;
      list.prepend(item);
      while (list.children.length > LAST) list.lastElementChild.remove();
    }
    item.textContent = `${bar}: ${words}`;
  };

  const take = (news) => {
    if (news.event === "began") began(news);
    else if (news.event === "progress") state = news;
    else if (news.event === "alarm") {
      if (alarms < DRAWN) waiting.push(markOf(news, alarms));
      alarms += 1;
    } else if (news.event === "ended") {
      state.running = false;
      tell(news.bar, news.broken_off ? said("broken off and held: {why}", { why: news.broken_off }) : said("has passed, is being judged"));
    } else if (news.event === "judged") {
      const share = number(100 * news.inspected, 1);
      const verdict = VERDICTS[news.verdict] ?? said("not judged");
      tell(news.bar, said("{verdict}, {share} % inspected, {shots} shots", { verdict, share, shots: number(news.shots) }));
    } else if (news.event === "trouble") tell(said("Trouble"), news.message);
    drawSoon();
  };
  JSON.parse(section.dataset.past).forEach(take);
  draw();
  return take;
}

/** Counts down to the next check. */
function countDown(place) {
  const minutes = Math.floor((Number(place.dataset.due) - Date.now()) / 60000);
  place.classList.toggle("overdue", minutes < 10);
  const [figure, unit] = [place.querySelector("[data-left]"), place.querySelector("[data-left-unit]")];
  if (minutes < 0) [figure.textContent, unit.textContent] = [said("overdue"), ""];
  else [figure.textContent, unit.textContent] = [`${Math.floor(minutes / 60)}:${String(minutes % 60).padStart(2, "0")}`, "h"];
}

const lines = new Map();
for (const section of document.querySelectorAll("section[data-line]")) lines.set(section.dataset.line, follow(section));
const checks = document.querySelectorAll("[data-due]");
const count = () => checks.forEach(countDown);
count();
setInterval(count, 10000);

const link = document.querySelector("[data-line-link]");
const source = new EventSource("/line/news");
let lost = false;
source.onopen = () => {
  // What was told meanwhile is with the service: the page is built from it anew.
  if (lost) location.reload();
  link.textContent = said("Following the line.");
  link.classList.remove("lost");
};
source.onerror = () => {
  lost = true;
  link.textContent = said("The service does not answer; what is shown may be old.");
  link.classList.add("lost");
  // A session that ended or a service that is gone closes the stream for good: it is asked again.
  if (source.readyState === EventSource.CLOSED) setTimeout(() => location.reload(), 5000);
};
source.addEventListener("missed", () => location.reload());
source.onmessage = (message) => {
  const news = JSON.parse(message.data);
  lines.get(news.line)?.(news);
};
