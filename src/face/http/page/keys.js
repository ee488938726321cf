// One table of single keys and two-key sequences; typing in a field is never taken for a command.

const commands = new Map();
const remembered = () => { try { return localStorage.getItem("single-keys") !== "off"; } catch { return true; } };
let on = remembered();

/** Whether single keys act; who dictates or leans on the keyboard switches them off. */
export const acting = () => on;
/** Switches them, for this browser. */
export function setActing(act) {
  on = act;
  try { localStorage.setItem("single-keys", act ? "on" : "off"); } catch { /* for this look only */ }
}
let first = "";
let timer = null;

/** Binds a key (`s`, `/`) or a sequence (`g j`); returns a function that ends that. */
export function command(keys, act) {
  commands.set(keys, act);
  return () => { if (commands.get(keys) === act) commands.delete(keys); };
}

const typing = (node) => node?.closest?.("input:not([type=radio]):not([type=checkbox]), textarea, select, dialog");

/** Begins to listen. */
export function shortcuts() {
  addEventListener("keydown", (event) => {
    if (!on || event.ctrlKey || event.metaKey || event.altKey || typing(event.target)) return;
    const pressed = event.key;
    const both = first ? `${first} ${pressed}` : pressed;
    clearTimeout(timer);
    first = "";
    const act = commands.get(both) ?? commands.get(pressed);
    if (act) {
      event.preventDefault();
      act();
    } else if ([...commands.keys()].some((keys) => keys.startsWith(`${pressed} `))) {
      first = pressed;
      timer = setTimeout(() => { first = ""; }, 1500);
    }
  });
}
