// Words of the scripts in the reader's language. English stands where it is used; the page carries what is
// said instead, where it is another language.
const others = JSON.parse(document.documentElement.dataset.words ?? "{}");

/** A text, with its parts put in. */
export const said = (english, parts = {}) =>
  (others[english] ?? english).replace(/\{(\w+)\}/g, (whole, name) => parts[name] ?? whole);
