// Follows the lines: every section fills itself from its state and from the news that come.
const number = (x, digits = 0) => x.toLocaleString("en-GB", { minimumFractionDigits: digits, maximumFractionDigits: digits });
const letter = (k) => (k < 26 ? String.fromCharCode(65 + k) : `${k + 1}`);
const SVG = "http://www.w3.org/2000/svg";
const LAST = 8;

function follow(section) {
  const part = (name) => section.querySelector(`[data-${name}]`);
  let state = { bar: "", length_m: 0, z_m: 0, shots: 0, alarms: 0, uncoupled_beams: 0, running: false };
  let alarms = 0;

  const say = (name, text) => { part(name).textContent = text; };

  const draw = () => {
    const share = state.length_m > 0 ? Math.min(1, state.z_m / state.length_m) : 0;
    part("passed").setAttribute("width", 1000 * share);
    part("ahead").setAttribute("x", 1000 * share);
    part("ahead").setAttribute("width", 1000 * (1 - share));
    say("length", state.length_m > 0 ? `${number(state.length_m, 2)} m` : "");
    say("bar", state.bar || "no bar");
    say("words", state.running ? "under the ring" : state.bar ? "has passed" : "nothing has run yet");
    say("place", `${number(state.z_m, 2)} m`);
    say("shots", number(state.shots));
    say("count", number(state.alarms));
    say("coupling", number(state.uncoupled_beams));
    section.classList.toggle("running", state.running);
  };

  const mark = (alarm) => {
    const x = state.length_m > 0 ? (1000 * alarm.z_m) / state.length_m : 0;
    // From 6 o'clock at the bottom, clockwise upward.
    const turn = (((-0.25 - Math.atan2(alarm.place.y, alarm.place.x) / (2 * Math.PI)) % 1) + 1) % 1;
    const y = 120 - 110 * turn;
    const group = document.createElementNS(SVG, "g");
    const shape = document.createElementNS(SVG, "path");
    shape.setAttribute("d", `M${x - 9} ${y}l9 -9l9 9l-9 9z`);
    shape.setAttribute("class", alarm.class === "crack" ? "alarm crack" : "alarm");
    const name = document.createElementNS(SVG, "text");
    name.textContent = letter(alarms);
    name.setAttribute("x", Math.min(x + 12, 975));
    name.setAttribute("y", Math.max(24, y - 4));
    group.append(shape, name);
    part("alarms").append(group);
    alarms += 1;
  };

  const began = (news) => {
    state = { ...state, bar: news.bar, length_m: news.length_m, z_m: 0, shots: 0, alarms: 0, uncoupled_beams: 0, running: true };
    alarms = 0;
    part("alarms").replaceChildren();
    draw();
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

  draw();
  const take = (news) => {
    if (news.event === "began") began(news);
    else if (news.event === "progress") { state = news; draw(); }
    else if (news.event === "alarm") { state.alarms = Math.max(state.alarms, alarms + 1); mark(news); draw(); }
    else if (news.event === "ended") {
      state.running = false;
      draw();
      tell(news.bar, news.broken_off ? `broken off and held: ${news.broken_off}` : "has passed, is being judged");
    } else if (news.event === "judged") {
      const share = `${number(100 * news.inspected, 1)} % inspected`;
      tell(news.bar, `${news.verdict ?? "not judged"}, ${share}, ${number(news.shots)} shots`);
    } else if (news.event === "trouble") tell("Trouble", news.message);
  };
  JSON.parse(section.dataset.past).forEach(take);
  return take;
}

const lines = new Map();
for (const section of document.querySelectorAll("section[data-line]")) lines.set(section.dataset.line, follow(section));
const link = document.querySelector("[data-line-link]");
const source = new EventSource("/line/news");
source.onopen = () => { link.textContent = "Following the line."; };
source.onerror = () => { link.textContent = "The service does not answer; what is shown may be old."; };
source.onmessage = (message) => {
  const news = JSON.parse(message.data);
  lines.get(news.line)?.(news);
};
