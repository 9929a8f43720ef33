/** Two soft tones when a cue falls due; low enough to be heard beside a fan, short enough not to startle. */
let context: AudioContext | null = null;

/** Call from a click: browsers allow sound only after one. */
export function wakeSound(): void {
  context ??= new AudioContext();
  void context.resume();
}

export function chime(): void {
  wakeSound();
  const audio = context;
  if (!audio) return;
  [523.25, 659.25].forEach((hertz, i) => {
    const start = audio.currentTime + i * 0.22;
    const tone = audio.createOscillator();
    const loud = audio.createGain();
    tone.frequency.value = hertz;
    loud.gain.setValueAtTime(0, start);
    loud.gain.linearRampToValueAtTime(0.22, start + 0.03);
    loud.gain.exponentialRampToValueAtTime(0.001, start + 0.6);
    tone.connect(loud).connect(audio.destination);
    tone.start(start);
    tone.stop(start + 0.65);
  });
}
