// Sounds made by the device itself: a call, a warning, an alarm; each with its own vibration.

let context = null;
let alarm = null;

/** Make sound possible; browsers ask for a tap first. */
export function unlock() {
  context ??= new AudioContext();
  if (context.state === "suspended") context.resume();
}

/** Whether a tap is still needed before anything can be heard. */
export function silent() {
  return context === null || context.state !== "running";
}

function buzz(pattern) {
  if (context !== null) navigator.vibrate?.(pattern);
}

function tone(frequency, start, seconds, type = "square") {
  if (context === null) return;
  const at = context.currentTime + start;
  const made = context.createOscillator();
  const gain = context.createGain();
  made.type = type;
  made.frequency.value = frequency;
  gain.gain.setValueAtTime(0.0001, at);
  gain.gain.exponentialRampToValueAtTime(0.5, at + 0.02);
  gain.gain.setValueAtTime(0.5, at + seconds - 0.04);
  gain.gain.exponentialRampToValueAtTime(0.0001, at + seconds);
  made.connect(gain).connect(context.destination);
  made.start(at);
  made.stop(at + seconds);
}

/** Two rising tones: look at the screen. */
export function call() {
  tone(660, 0, 0.18);
  tone(880, 0.22, 0.3);
  buzz([250, 100, 400]);
}

/** One short tone: taken. */
export function taken() {
  tone(880, 0, 0.1, "sine");
  buzz(60);
}

/** Three quick tones: now. */
export function now() {
  for (const place of [0, 0.16, 0.32]) tone(1175, place, 0.12);
  buzz([120, 60, 120, 60, 120]);
}

function wail() {
  tone(980, 0, 0.35);
  tone(620, 0.4, 0.35);
  buzz([350, 50, 350]);
}

/** A wail that goes on until it is silenced. */
export function startAlarm() {
  if (alarm !== null) return;
  wail();
  alarm = setInterval(wail, 850);
}

export function stopAlarm() {
  clearInterval(alarm);
  alarm = null;
  buzz(0);
}

/** Keep the screen lit while the page is shown, where the browser allows it. */
export function keepLit() {
  const ask = () => {
    if (document.visibilityState === "visible") {
      navigator.wakeLock?.request("screen").catch(() => null);
    }
  };
  document.addEventListener("visibilitychange", ask);
  ask();
}
