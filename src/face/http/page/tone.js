// A short tone, for whoever wants one: off until it is switched on, remembered by this browser.

const remembered = () => { try { return localStorage.getItem("tone") === "on"; } catch { return false; } };
let on = remembered();
let audio = null;

// A browser lets a page sound only after a touch or a key.
const wake = () => { if (on) { audio ??= new AudioContext(); audio.resume(); } };
addEventListener("pointerdown", wake);
addEventListener("keydown", wake);

export const tone = {
  isOn: () => on,
  turn(wanted) {
    on = wanted;
    try { localStorage.setItem("tone", on ? "on" : "off"); } catch { /* for this look only */ }
    if (on) { wake(); tone.sound(880); }
  },
  /** A third of a second at this pitch, hertz; soft at both ends, so that it does not click. */
  sound(hertz) {
    if (!on || audio?.state !== "running") return;
    const [from, loud] = [audio.currentTime, audio.createGain()];
    const voice = audio.createOscillator();
    voice.frequency.value = hertz;
    loud.gain.setValueAtTime(0, from);
    loud.gain.linearRampToValueAtTime(0.25, from + 0.02);
    loud.gain.setValueAtTime(0.25, from + 0.28);
    loud.gain.linearRampToValueAtTime(0, from + 0.33);
    voice.connect(loud).connect(audio.destination);
    voice.start(from);
    voice.stop(from + 0.35);
  },
};
