// The server renders everything. This script places the pieces that it sends, notices when
// they stop, sounds the tone, and sends the commands of the buttons.

const page = document.body, data = page.dataset;
const byId = (id) => document.getElementById(id);
const cut = byId('cut'), reply = byId('reply'), dialogs = byId('dialogs'), insist = byId('insist-why');

// --- pieces ---

let source, heard = performance.now(), moved = -Infinity;

function listen() {
  source?.close();
  source = new EventSource(data.events);
  source.onmessage = (event) => {
    const update = JSON.parse(event.data);
    if (update.board !== data.token) {
      location.reload(); // the board was restarted
      return;
    }
    heard = performance.now();
    for (const [id, html] of Object.entries(update.pieces)) {
      const piece = byId(id);
      if (!piece) continue;
      const before = does(piece);
      if (id !== 'answers' || !renew(piece, html)) place(piece, html);
      if (id !== 'dialogs' && does(piece) !== before) moved = heard;
    }
    if (update.tone !== undefined && dialogs) {
      data.tone = update.tone;
      sound(update.tone);
    }
    watch();
  };
}

// What the buttons of a piece do. While that stays the same, a press counts.
const does = (piece) => [...piece.querySelectorAll('button')].map((b) => (b.dataset.command ?? '') + (b.dataset.opens ?? '')).join();

// An answer that only changes its text stays the same button, so that a finger that is on it
// presses it.
function renew(piece, html) {
  const fresh = document.createElement('template');
  fresh.innerHTML = html;
  const now = [...piece.children], next = [...fresh.content.children];
  if (now.length !== next.length || now.some((e, i) => e.tagName !== next[i].tagName)) return false;
  now.forEach((e, i) => {
    if (e.outerHTML === next[i].outerHTML) return;
    for (const {name} of [...e.attributes]) if (!next[i].hasAttribute(name)) e.removeAttribute(name);
    for (const {name, value} of next[i].attributes) e.setAttribute(name, value);
    e.innerHTML = next[i].innerHTML;
  });
  return true;
}

// Typed text, the focus, and the dialog that is open, stay when their piece is replaced.
const focusable = (piece) => [...piece.querySelectorAll('a, button, input, select')];

function place(piece, html) {
  const entries = [...piece.querySelectorAll('input, select')], focused = focusable(piece).indexOf(document.activeElement);
  const replies = piece.contains(reply);
  piece.innerHTML = html;
  if (replies) piece.append(reply);
  for (const old of entries) {
    const entry = byId(old.id);
    if (!entry) continue;
    if (old.dataset.typed) {
      entry.value = old.value;
      entry.dataset.typed = 'yes';
    }
  }
  // One that was closed a moment ago stays so: its event "close" may still be on its way.
  if (piece === dialogs && dialogs.open) open(dialogs.dataset.shows);
  if (piece.id === 'bar') showSound();
  for (const entry of piece.querySelectorAll('[data-keep]')) offer(entry);
  if (focused >= 0) focusable(piece)[focused]?.focus({preventScroll: true});
}

// Who has worked at this screen before is offered beside the field: one tap for each job.
const known = (name) => JSON.parse(localStorage.getItem('bayfill ' + name) ?? '[]');

function offer(entry) {
  const chips = document.createElement('span');
  chips.className = 'chips';
  for (const value of known(entry.name)) {
    const chip = document.createElement('button');
    chip.type = 'button';
    chip.className = 'chip';
    chip.textContent = value;
    chips.append(chip);
  }
  entry.after(chips);
}

function remember(entry, text) {
  if (text) localStorage.setItem('bayfill ' + entry.name, JSON.stringify([text, ...known(entry.name).filter((k) => k !== text)].slice(0, 4)));
}

page.addEventListener('input', ({target}) => { target.dataset.typed = 'yes'; });

function open(name) {
  const section = dialogs.querySelector(`[data-dialog="${name}"]`);
  for (const other of dialogs.querySelectorAll('section')) other.hidden = other !== section;
  if (!section) {
    dialogs.close();
    delete dialogs.dataset.shows;
    return;
  }
  dialogs.dataset.shows = name;
  if (!dialogs.open) {
    dialogs.showModal();
    section.querySelector('input:placeholder-shown, input, select')?.focus();
  }
}
dialogs?.addEventListener('close', () => { delete dialogs.dataset.shows; });

// A page that receives nothing must not look live.
const silentAfter = 3000, again = 5000;
let asked = performance.now();

function watch() {
  const now = performance.now(), silent = now - heard, dead = silent > silentAfter;
  page.classList.toggle('cut', dead);
  cut.hidden = !dead;
  if (!dead) return;
  cut.textContent = `${data.cut} (${Math.round(silent / 1000)} s)`;
  if (now - asked > again) {
    asked = now;
    listen();
  }
}

// --- sound ---

// Notes are pairs of hertz and seconds; 0 hertz is a pause. A pattern repeats after so many
// seconds for as long as its tone lasts; 0: it does not. The rhythm tells the tones apart, the
// pitches are those that ears that lost the highs still hear.
const patterns = {
  slow: {notes: [[660, 0.08]], every: 0.25},
  stop: {notes: [[880, 0.25], [660, 0.25]], every: 0.6},
  lost: {notes: [[990, 0.15], [0, 0.05], [990, 0.15], [0, 0.05], [990, 0.15]], every: 1},
  check: {notes: [[523, 0.2], [659, 0.2], [784, 0.2], [0, 0.1], [523, 0.2], [659, 0.2], [784, 0.2]], every: 0},
  closing: {notes: [[784, 0.3], [523, 0.3]], every: 20},
  unmeasured: {notes: [[440, 0.5], [330, 0.5], [440, 0.5], [330, 0.5]], every: 20},
  answer: {notes: [[440, 0.15], [0, 0.1], [440, 0.15]], every: 60},
};
const store = 'bayfill sound';
let audio, on = localStorage.getItem(store) === 'on', last, repeating;

// The button shows what can be heard: a switch that is on says nothing while the browser is mute.
const heardNow = () => on && audio?.state === 'running';

function showSound() {
  const button = byId('sound');
  button?.setAttribute('aria-pressed', heardNow());
  button?.setAttribute('aria-label', heardNow() ? data.soundOn : data.soundOff);
}

// Many browsers allow sound only after somebody has touched the page, or one before it.
function wake() {
  audio ??= new AudioContext();
  audio.onstatechange = showSound;
  audio.resume();
}
page.addEventListener('pointerdown', ({target}) => { if (on && !target.closest('#sound')) wake(); }, {capture: true});

page.addEventListener('click', ({target}) => {
  if (!target.closest('#sound')) return;
  on = !heardNow();
  localStorage.setItem(store, on ? 'on' : 'off');
  wake();
  showSound();
  if (on) play([[660, 0.15]]);
});

function sound(tone) {
  if (tone === last) return;
  const first = last === undefined;
  last = tone;
  clearInterval(repeating);
  const pattern = patterns[tone];
  if (!pattern || first && pattern.every === 0) return;
  data.sounded = tone;
  play(pattern.notes);
  if (pattern.every > 0) repeating = setInterval(() => { if (!page.classList.contains('cut')) play(pattern.notes); }, 1000 * pattern.every);
}

function play(notes) {
  if (!on || !audio) return;
  let start = audio.currentTime;
  for (const [hertz, seconds] of notes) {
    if (hertz > 0) {
      const tone = audio.createOscillator(), volume = audio.createGain();
      tone.frequency.value = hertz;
      // As loud as possible, because a workshop is noisy, and faded out to avoid a click.
      volume.gain.setValueAtTime(0.9, start);
      volume.gain.setValueAtTime(0.9, start + 0.8 * seconds);
      volume.gain.exponentialRampToValueAtTime(0.001, start + seconds);
      tone.connect(volume).connect(audio.destination);
      tone.start(start);
      tone.stop(start + seconds);
    }
    start += seconds;
  }
}

// --- buttons ---

// A press right after the answers have changed does not count: it was meant for the old ones.
const settle = 700, replyFor = 6000, undoFor = 10000, undoable = ['record', 'enter', 'phase'];
let busy = false, refused, hiding;

page.addEventListener('click', ({target}) => {
  const button = target.closest('button');
  if (!button) return;
  if (button.classList.contains('closes')) return button.closest('dialog').close();
  if (button.id === 'seen') return show(undefined);
  if (button.id === 'undo' && !busy) return send('', [{do: 'undo'}]); // the reply says what it was
  if (button.id === 'insist') return ask();
  if (button.id === 'insist-send' && !busy) return persist();
  if (button.dataset.print !== undefined) return window.print();
  if (button.className === 'chip') {
    const entry = button.closest('label').querySelector('input');
    entry.value = button.textContent;
    entry.dataset.typed = 'yes';
    return;
  }
  if (performance.now() - moved < settle && !dialogs?.open) return;
  if (button.dataset.opens) return open(button.dataset.opens);
  if (button.dataset.command && !busy) press(button);
});

// Digits press the answers, for a keypad with large keys.
page.addEventListener('keydown', (event) => {
  if (event.target.matches('input, select')) {
    if (event.key === 'Enter') event.target.closest('section, dialog').querySelector('button.main')?.click();
    return;
  }
  if (dialogs?.open || insist?.open || event.ctrlKey || event.altKey || event.metaKey || !/^[1-9]$/.test(event.key)) return;
  event.preventDefault(); // the digit is no text for the dialog that it may open
  byId('answers')?.querySelectorAll('button')[event.key - 1]?.click();
});

function press(button) {
  const commands = [JSON.parse(button.dataset.command)].flat(), section = button.closest('section');
  for (const entry of section?.querySelectorAll('input, select') ?? []) {
    let text = entry.value.trim();
    if (entry.dataset.keep !== undefined) remember(entry, text);
    if (!button.dataset.with?.split(' ').includes(entry.name)) continue;
    if (entry.required && !text) return need(entry);
    if (!text) continue;
    if (entry.dataset.unit && /^[-+]?[0-9.,]+$/.test(text)) text = text.replace(',', '.') + ' ' + entry.dataset.unit;
    for (const command of commands) command[entry.name] = text;
  }
  send(button.querySelector('b')?.textContent ?? button.textContent, commands, 1000 * (button.dataset.every ?? 0));
}

const of = (label, text) => (label ? `${label}: ${text}` : text);
const pause = (ms) => new Promise((done) => setTimeout(done, ms));
let sequence = 0; // another press ends a sequence

async function send(label, commands, every = 0) {
  const mine = ++sequence;
  busy = true;
  page.classList.add('busy');
  show(of(label, data.sent), '');
  try {
    for (const command of commands) {
      const response = await fetch(data.press, {
        method: 'POST',
        headers: {'Content-Type': 'application/json', 'X-Board-Token': data.token},
        body: JSON.stringify(command),
      });
      if (!response.ok) throw new Error(await response.text());
      const {ok, text, insist: takesReason} = await response.json();
      refused = {label, commands: commands.slice(commands.indexOf(command))};
      show(of(label, text), ok ? 'good' : 'bad', !ok && takesReason, ok && undoable.includes(command.do));
      if (!ok) break;
      if (command === commands.at(-1)) done();
      else if (every > 0) {
        busy = false;
        await pause(every);
        if (mine !== sequence) return;
        busy = true;
      }
    }
  } catch (error) {
    show(of(label, error.message), 'bad');
  }
  page.classList.remove('busy');
  busy = false;
}

function done() {
  for (const entry of page.querySelectorAll('[data-typed]')) {
    delete entry.dataset.typed;
    entry.value = entry.defaultValue ?? '';
  }
  dialogs.close();
  insist.close();
}

function show(text, kind, mayInsist, mayUndo) {
  clearTimeout(hiding);
  reply.hidden = text === undefined;
  reply.className = kind ?? '';
  reply.querySelector('p').textContent = text ?? '';
  byId('insist').hidden = !mayInsist || insist.open; // there stands a button for it
  byId('undo').hidden = !mayUndo;
  if (kind === 'good') hiding = setTimeout(() => show(undefined), mayUndo ? undoFor : replyFor);
  if (kind === 'bad') (insist.open ? insist : dialogs.open ? dialogs : page).append(reply);
  else page.append(reply);
}

// Some refusals give way to a reason, which is put on record.
function ask() {
  insist.querySelector('.refusal').textContent = reply.querySelector('p').textContent;
  show(undefined);
  dialogs.close();
  byId('insist-reason').value = '';
  insist.showModal();
}

function persist() {
  const reason = byId('insist-reason'), why = reason.value.trim();
  if (!why) return need(reason);
  send(refused.label, refused.commands.map((c) => ({...c, why})));
}

function need(entry) {
  show(`${entry.closest('label').querySelector('span').textContent}: ${data.needed}`, 'bad');
  entry.focus();
}

// --- start ---

if (on) wake();
listen();
setInterval(watch, 500);
document.addEventListener('visibilitychange', watch); // browsers suspend hidden pages
if (dialogs) for (const id of ['dialogs', 'stage', 'bar']) place(byId(id), byId(id).innerHTML);
data.started = 'yes';
