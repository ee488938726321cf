// Elements by hand. Text enters as text and never as markup, so a log line cannot become part of the page.

const SVG = "http://www.w3.org/2000/svg";

function fill(node, attributes, children) {
  for (const [name, value] of Object.entries(attributes ?? {})) {
    if (value === null || value === undefined || value === false) continue;
    if (name.startsWith("on")) node.addEventListener(name.slice(2), value);
    else if (name in PROPERTIES) node[name] = value;
    else node.setAttribute(name, value === true ? "" : String(value));
  }
  node.append(...children.flat(9).filter((child) => child !== null && child !== undefined && child !== false)
    .map((child) => (child instanceof Node ? child : document.createTextNode(String(child)))));
  return node;
}

const PROPERTIES = { value: 1, checked: 1, disabled: 1, hidden: 1, open: 1 };

/** An element: tag with classes after dots (`p.soft`), attributes, children. Strings become text. */
export function el(tag, attributes, ...children) {
  const [name, ...classes] = tag.split(".");
  const node = document.createElement(name);
  if (classes.length) node.className = classes.join(" ");
  return fill(node, attributes, children);
}

/** The same in SVG. */
export function svg(tag, attributes, ...children) {
  const [name, ...classes] = tag.split(".");
  const node = document.createElementNS(SVG, name);
  if (classes.length) node.setAttribute("class", classes.join(" "));
  return fill(node, attributes, children);
}

/** A button. */
export const button = (text, onclick, attributes = {}, kind = "") =>
  el(`button${kind ? `.${kind}` : ""}`, { type: "button", onclick, ...attributes }, text);

/** A labelled field; `control` gets the id that the label names. */
export function field(label, control, hint) {
  control.id ||= `f-${label.toLowerCase().replace(/[^a-z]+/g, "-")}`;
  const note = hint ? el("span.hint", { id: `${control.id}-hint` }, hint) : null;
  if (note) control.setAttribute("aria-describedby", note.id);
  return el("div.field", {}, el("label", { for: control.id }, label), control, note);
}

/** A table with headings for columns and rows; cells are texts or nodes. */
export function table(caption, columns, rows, numbersFrom = 99) {
  const cell = (content, i) => (i === 0 ? el("th", { scope: "row" }, content)
    : el(i >= numbersFrom ? "td.n" : "td", {}, content));
  return el("div.scroll", { tabindex: 0, role: "group", "aria-label": caption },
    el("table", {}, el("caption", {}, caption),
      el("thead", {}, el("tr", {}, columns.map((c, i) => el(i >= numbersFrom ? "th.n" : "th", { scope: "col" }, c)))),
      el("tbody", {}, rows.map((row) => el("tr", {}, row.map(cell))))));
}

const written = new WeakMap();

/** Replaces what `root` holds, unless that is the same already (a press that has begun must end on the same button), and keeps the focus, what was typed, the place of the scroll and what was unfolded. */
export function redraw(root, ...children) {
  const fresh = children.flat(9).filter(Boolean);
  const text = fresh.map((node) => node.outerHTML).join("");
  if (written.get(root) === text && root.firstChild) return;
  written.set(root, text);
  const focused = root.contains(document.activeElement) ? document.activeElement.id : "";
  const typed = new Map();
  for (const node of root.querySelectorAll("input[id], textarea[id], select[id]")) {
    typed.set(node.id, node.type === "checkbox" || node.type === "radio" ? node.checked : node.value);
  }
  const unfolded = new Set([...root.querySelectorAll("details[id]")].filter((d) => d.open).map((d) => d.id));
  const selection = document.activeElement?.selectionStart ?? null;
  root.replaceChildren(...fresh);
  for (const node of root.querySelectorAll("input[id], textarea[id], select[id]")) {
    if (!typed.has(node.id) || "fixed" in node.dataset) continue;
    if (node.type === "checkbox" || node.type === "radio") node.checked = typed.get(node.id);
    else if (node.tagName !== "SELECT" || [...node.options].some((o) => o.value === typed.get(node.id))) {
      node.value = typed.get(node.id);
    }
  }
  for (const node of root.querySelectorAll("details[id]")) if (unfolded.has(node.id)) node.open = true;
  const again = focused && root.querySelector(`#${CSS.escape(focused)}`);
  if (!again) return;
  again.focus({ preventScroll: true });
  if (selection !== null && again.setSelectionRange && /^(text|search)$/.test(again.type)) {
    again.setSelectionRange(selection, selection);
  }
}

/** Writes `text` only where it differs, so that nothing is announced or laid out twice. */
export function say(node, text) {
  if (node.textContent !== text) node.textContent = text;
}

/** Marks when the first screen with content was drawn, for whoever measures the page. */
export function drawn() {
  if (!performance.getEntriesByName("drawn").length) requestAnimationFrame(() => performance.mark("drawn"));
}

/** A dialog in the page's top layer; closes with Esc, gives the focus back. Returns a function that closes it. */
export function dialog(title, closeWord, ...children) {
  const before = document.activeElement;
  const box = el("dialog", { "aria-label": title }, el("h2", {}, title), ...children,
    el("div.row", {}, button(closeWord, () => box.close(), { autofocus: true }, "strong")));
  box.addEventListener("close", () => { box.remove(); before?.focus?.(); });
  document.getElementById("layer").append(box);
  box.showModal();
  return () => box.close();
}

/** Asks before something is done that cannot be taken back. To go on as it is is what Enter and Esc do. */
export function sure(title, text, yes, no, act) {
  const done = dialog(title, no, el("p", {}, text),
    el("div.row", {}, button(yes, () => { done(); act(); }, { id: "sure" })));
}
