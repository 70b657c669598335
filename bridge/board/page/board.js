// The server renders everything. This script places the pieces that it sends, notices when
// they stop, sounds the signal and sends the commands of the buttons.

const page = document.body;
const cut = document.getElementById('cut');
const reply = document.getElementById('reply');

// --- pieces ---

let source, heard = performance.now(), replaced = -Infinity;

function listen() {
  source?.close();
  source = new EventSource(page.dataset.events);
  source.onmessage = (event) => {
    const update = JSON.parse(event.data);
    if (update.board !== page.dataset.token) {
      location.reload(); // the board was restarted
      return;
    }
    heard = performance.now();
    for (const [id, html] of Object.entries(update.pieces)) {
      const piece = document.getElementById(id);
      if (!piece) continue;
      place(piece, html);
      if (id === 'actions' || id === 'changes') replaced = heard;
    }
    sound(update.signal);
    watch();
  };
}

// Typed text and shown entries are kept when the buttons are replaced.
function place(piece, html) {
  const entries = [...piece.querySelectorAll('input')], focused = document.activeElement;
  piece.innerHTML = html;
  for (const old of entries) {
    const entry = document.getElementById(old.id);
    if (!entry) continue;
    if (old.value !== old.defaultValue) entry.value = old.value;
    entry.parentElement.hidden = old.parentElement.hidden;
    if (old === focused) entry.focus();
  }
}

// A page that receives nothing must not look live.
const silentAfter = 3000, again = 5000;
let asked = performance.now();

function watch() {
  const now = performance.now(), silent = now - heard;
  const dead = silent > silentAfter;
  page.classList.toggle('cut', dead);
  cut.hidden = !dead;
  if (!dead) return;
  cut.textContent = `NO CONNECTION to the board for ${Math.round(silent / 1000)} s. Everything on this page is the last known.`;
  if (now - asked > again) {
    asked = now;
    listen();
  }
}

listen();
setInterval(watch, 500);
// Browsers suspend hidden pages.
document.addEventListener('visibilitychange', watch);

// --- sound ---

// Browsers allow sound only after somebody has touched the page.
const switchButton = document.getElementById('sound');
let audio, on = false, last;

switchButton?.addEventListener('click', () => {
  audio ??= new AudioContext();
  audio.resume();
  on = !on;
  switchButton.setAttribute('aria-pressed', on);
  switchButton.textContent = on ? 'Sound is on' : 'Sound is off';
  if (on) beep([660], 0.15);
});

// The signal sounds when it changes. The last signal before an outage is remembered, and the
// first one after the page was loaded does not sound.
function sound(signal) {
  if (last !== undefined && signal && signal !== last) {
    beep(signal === 'open' ? [523, 659, 784] : [880, 880, 880, 880], signal === 'open' ? 0.35 : 0.12);
    page.dataset.sounded = signal;
  }
  if (signal || last === undefined) last = signal;
}

function beep(tones, seconds) {
  if (!on) return;
  tones.forEach((hertz, i) => {
    const tone = audio.createOscillator(), volume = audio.createGain();
    const start = audio.currentTime + i * seconds * 1.3;
    tone.frequency.value = hertz;
    // As loud as possible, because a workshop is noisy, and faded out to avoid a click.
    volume.gain.setValueAtTime(0.9, start);
    volume.gain.setValueAtTime(0.9, start + 0.7 * seconds);
    volume.gain.exponentialRampToValueAtTime(0.001, start + seconds);
    tone.connect(volume).connect(audio.destination);
    tone.start(start);
    tone.stop(start + seconds);
  });
}

// --- buttons ---

// A press right after the buttons have changed does not count: it was meant for the old ones.
const settle = 400, twiceWithin = 4000;
let busy = false, armed;

page.addEventListener('click', async (event) => {
  const button = event.target.closest('button[data-command]');
  if (!button || busy || performance.now() - replaced < settle) return;
  if (button.dataset.twice && armed !== button) {
    const label = button.textContent;
    armed = button;
    button.textContent = button.dataset.twice;
    setTimeout(() => {
      if (armed === button) armed = undefined;
      button.textContent = label;
    }, twiceWithin);
    return;
  }
  armed = undefined;
  busy = true;
  page.classList.add('busy');
  answer('…', `${button.textContent}: sent, waiting for the answer`);
  const label = button.textContent, group = button.closest('fieldset');
  const command = JSON.parse(button.dataset.command), entries = [...group.querySelectorAll('input')];
  for (const entry of entries) {
    const text = entry.value.trim();
    if (!text || entry.parentElement.hidden || !button.dataset.with?.split(' ').includes(entry.name)) continue;
    command[entry.name] = entry.type === 'number' ? Number(text) : text;
  }
  try {
    const response = await fetch(page.dataset.press, {
      method: 'POST',
      headers: {'Content-Type': 'application/json', 'X-Board-Token': page.dataset.token},
      body: JSON.stringify(command),
    });
    if (!response.ok) throw new Error(await response.text());
    const {ok, text} = await response.json();
    answer(ok ? '✓' : '✗', `${label}: ${text}`);
    for (const {id} of entries) {
      const entry = document.getElementById(id); // it may have been replaced meanwhile
      if (ok && entry) entry.value = entry.defaultValue;
      if (entry?.closest('.refused') && (ok || text.startsWith('refused'))) entry.parentElement.hidden = ok;
    }
  } catch (error) {
    answer('✗', `${label}: ${error.message}`);
  }
  page.classList.remove('busy');
  busy = false;
});

function answer(sign, text) {
  reply.textContent = `${sign} ${text}`;
  reply.className = sign === '✗' ? 'bad' : '';
}
