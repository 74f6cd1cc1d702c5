"use strict";

// The demo's page: asks for the state each second and changes only what differs, so that nothing typed, focused or
// scrolled to is lost. Every word from outside goes in as textContent.

const EVERY_MS = 1000;
const FRESH_MS = 8000; // so long a phone is marked after a new text
const NEAR_PX = 40; // so near to the end of a chat counts as reading its end

const KINDS = {
  reminder: "reminder", prompt: "question", advice: "advice", emergency: "emergency", notice: "notice", page: "page",
  relay: "words of the nurse", confirmation: "confirmation",
};
// Likely texts of a phone at home: at any time, and always last.
const SAYS = {
  Ana: [["starting now", "later", "left side leaked a bit"], ["my throat feels tight", "STOP"]],
  Luz: [["empiezo ahora", "luego", "hoy no"], ["tengo ronchas", "me cuesta respirar"]],
  Dana: [["starting now", "a bit red at the site", "later"], ["he is wheezing"]],
  Omar: [["starting now", "I started it already", "is it ok to shower?"], ["he has hives"]],
};
// Likely answers to what the talk has just asked, by its state; they take the place of the first ones above.
const CHOICE = ["1", "2", "3"];
const ANSWERS = {
  en: {
    running: ["done", "done. right side leaked a bit", "it runs very slowly"], asked_running: CHOICE,
    second_dose: ["1", "2"], check_in: CHOICE, problem: ["left side leaked", "a bit swollen"],
    detail: ["left belly, a few drops", "right thigh, since last night"], bother: ["2", "8"],
    times: ["6:05pm to 7:10pm"], lots: ["lot A123"], follow_up: CHOICE, skipped: ["we are away"],
    stopped: ["20", "?"], safety: ["1", "2"],
  },
  es: {
    running: ["listo", "va muy lento"], asked_running: CHOICE, second_dose: ["1", "2"], check_in: CHOICE,
    problem: ["goteo a la izquierda", "un poco hinchado"],
    detail: ["barriga izquierda, unas gotas", "muslo derecho, desde anoche"], bother: ["2", "8"], times: ["de 6:35pm a 7:40pm"],
    lots: ["lote A123"], follow_up: CHOICE, skipped: ["estoy de viaje"], stopped: ["20", "?"], safety: ["1", "2"],
  },
};
const WENT_IN = {
  Ana: ["all, left and right belly", "38 mL, left and right belly"], Luz: ["todo, barriga izquierda y derecha"],
  Dana: ["all, left thigh"], Omar: ["all, left thigh"],
};
const NURSE_SAYS = ["mine", "tell I will call you now", "close called, all is well", "release"];

const phones = new Map(); // name to the parts of its phone
let version = 0; // of the newest request: an answer that was overtaken is not shown
let timer = null;

const at = (id) => document.getElementById(id);

function make(tag, className, text) {
  const found = document.createElement(tag);
  if (className) found.className = className;
  if (text !== undefined) found.textContent = text;
  return found;
}

// --- asking the demo ---

async function ask(path, body) {
  const asked = body === undefined ? {} : {
    method: "POST", headers: {"Content-Type": "application/json"}, body: JSON.stringify(body),
  };
  const mine = ++version;
  let reply, found;
  try {
    reply = await fetch(path, asked);
    found = await reply.json();
  } catch {
    throw new Error("The demo does not answer. Is the program still running? Start it again and load this page again.");
  }
  if (!reply.ok) throw new Error(found.error || `The demo answered ${reply.status}.`);
  if (mine === version || body !== undefined) show(found);
  return found;
}

async function poll() {
  clearTimeout(timer);
  if (document.hidden) return;
  try {
    await ask("state");
    trouble("");
  } catch (error) {
    trouble(error.message);
  }
  clearTimeout(timer);
  timer = setTimeout(poll, EVERY_MS);
}

function trouble(text) {
  if (at("trouble").textContent !== text) at("trouble").textContent = text;
  at("trouble").hidden = !text;
}

// --- phones ---

function phoneOf(told) {
  let phone = phones.get(told.name);
  if (!phone) {
    phone = build(told);
    phones.set(told.name, phone);
  }
  return phone;
}

function build({name, number, role}) {
  const root = at("phone").content.firstElementChild.cloneNode(true);
  const part = (selector) => root.querySelector(selector);
  const home = name in SAYS;
  root.id = `phone-${name}`;
  part("h3").textContent = name;
  part(".number").textContent = number.replace(/^\+1(\d{3})(\d{3})/, "$1-$2-");
  root.setAttribute("aria-label", `Phone of ${name}, ${role}`);
  part(".role").textContent = role;
  part(".chat").setAttribute("aria-label", `Texts of ${name}`);
  part(".quick").setAttribute("aria-label", `Likely texts of ${name}, sent at once`);
  const input = part("textarea"), label = part("form label");
  input.id = `words-${name}`;
  label.htmlFor = input.id;
  label.textContent = `Text from ${name}`;
  input.placeholder = "Write a text";
  if (!home) part(".picture").remove();
  const phone = {
    name, root, input, picture: part(".picture input"), chat: part(".chat"), quick: part(".quick"),
    refusal: part(".refusal"), shown: null, newest: "", says: null, sending: false,
    atEnd: true, link: make("a", "", name), freshUntil: null,
  };
  phone.link.href = `#${root.id}`;
  at("jump").append(phone.link);
  phone.chat.addEventListener("scroll", () => {
    phone.atEnd = endOf(phone.chat) - phone.chat.scrollTop < NEAR_PX;
  });
  part("form").addEventListener("submit", (event) => {
    event.preventDefault();
    sendTyped(phone);
  });
  input.addEventListener("keydown", (event) => {
    if (event.key === "Enter" && !event.shiftKey && !event.isComposing) {
      event.preventDefault();
      sendTyped(phone);
    }
  });
  phone.quick.addEventListener("click", (event) => {
    const chip = event.target.closest("button");
    if (chip) send(phone, chip.dataset.words, 0);
  });
  at(home ? "home" : "staff").append(root);
  return phone;
}

async function sendTyped(phone) {
  const words = phone.input.value;
  const media = phone.picture && phone.picture.checked ? 1 : 0;
  if (await send(phone, words, media)) {
    if (phone.input.value === words) phone.input.value = ""; // else somebody typed on meanwhile
    if (phone.picture) phone.picture.checked = false;
  }
}

async function send(phone, text, media) {
  if (phone.sending) return false;
  phone.sending = true;
  try {
    await ask("text", {from: phone.name, text, media});
    phone.refusal.hidden = true;
    at("moved").textContent = ""; // it told of the state before
    toEnd(phone);
    return true;
  } catch (error) {
    phone.refusal.textContent = error.message;
    phone.refusal.hidden = false;
    return false;
  } finally {
    phone.sending = false;
  }
}

// Where a chat is scrolled to: its end, or the beginning of a last text that is longer than the phone.
function endOf(box) {
  return Math.min(box.scrollHeight - box.clientHeight, box.lastElementChild.offsetTop);
}

function toEnd(phone) {
  phone.chat.scrollTop = endOf(phone.chat);
  phone.atEnd = true;
}

function lines(chat) {
  const found = [];
  let day = null;
  for (const text of chat) {
    const on = text.at.slice(0, 10);
    if (on !== day) found.push({date: on});
    day = on;
    found.push(text);
  }
  return found.length ? found : [{none: "No texts yet."}];
}

function lineOf(told, name) {
  if (told.none) return make("li", "none", told.none);
  if (told.date) {
    const day = new Date(`${told.date}T12:00:00Z`);
    const form = {weekday: "long", day: "numeric", month: "long", timeZone: "UTC"};
    return make("li", "date", day.toLocaleDateString("en-GB", form));
  }
  const line = make("li", told.out ? `text ours ${told.kind}` : "text theirs");
  const about = make("span", "about");
  about.append(make("b", "", told.out ? KINDS[told.kind] || told.kind : name), ` ${told.at.slice(11, 16)}`);
  line.append(about);
  if (told.state === "failed") {
    line.classList.add("lost");
    about.append(", not delivered");
  }
  const picture = told.media ? "[picture]" : "";
  line.append(make("div", "body", [told.body, picture].filter(Boolean).join(" ")));
  return line;
}

function showChat(phone, chat) {
  const keyOf = (told) => JSON.stringify({...told, state: told.state === "failed"});
  const wanted = lines(chat).map((told) => [keyOf(told), told]);
  const box = phone.chat, before = phone.shown;
  wanted.forEach(([key, told], n) => {
    if (before && before[n] === key) return;
    const line = lineOf(told, phone.name);
    if (n < box.children.length) box.children[n].replaceWith(line);
    else box.append(line);
  });
  while (box.children.length > wanted.length) box.lastElementChild.remove();
  phone.shown = wanted.map(([key]) => key);
  const ours = wanted.filter(([, told]) => told.out);
  phone.newest = ours.length ? ours.at(-1)[0] : "";
  const known = new Set(before);
  return before ? ours.filter(([key]) => !known.has(key)).map(([, told]) => told) : [];
}

function sayingsAtHome(name, state) {
  const {talk} = state.phones.find((told) => told.name === name);
  const [first, last] = SAYS[name];
  const answers = talk === "amount" ? WENT_IN[name] : ANSWERS[name === "Luz" ? "es" : "en"][talk];
  return [...(answers || first), ...last];
}

function sayings(phone, state) {
  if (SAYS[phone.name]) return sayingsAtHome(phone.name, state).map((words) => [words, words]);
  const newest = state.matters.at(-1)?.case ?? state.newest_case;
  const owner = phone.name === "coordinator" ? "coordinator" : "nurse";
  const task = state.tasks.filter((each) => each.owner === owner).at(-1);
  const found = [];
  if (owner === "nurse" && newest) {
    const open = state.matters.length > 0;
    const held = state.day.some((each) => each.held);
    const fitting = NURSE_SAYS.filter((words) => words === "release" ? held && !open : open);
    found.push(...fitting.map((words) => [`${newest} ${words}`, `${newest} ${words}`]));
  }
  if (task) found.push([`${task.case} done`, `${task.case} done (task)`]);
  return found;
}

function showQuick(phone, wanted) {
  const says = JSON.stringify(wanted);
  if (says === phone.says) return;
  phone.says = says;
  wanted.forEach(([words, label], n) => {
    let chip = phone.quick.children[n];
    if (!chip) {
      chip = make("button");
      chip.type = "button";
      phone.quick.append(chip);
    }
    if (chip === document.activeElement && chip.dataset.words !== words) {
      phone.chat.focus({preventScroll: true}); // so that a second Enter does not send what now stands there
    }
    chip.dataset.words = words;
    chip.textContent = label;
  });
  while (phone.quick.children.length > wanted.length) phone.quick.lastElementChild.remove();
}

function mark(phone, fresh) {
  if (fresh) phone.freshUntil = Date.now() + FRESH_MS;
  const on = phone.freshUntil !== null && Date.now() < phone.freshUntil;
  phone.root.classList.toggle("fresh", on);
  phone.link.classList.toggle("fresh", on);
}

// --- the side ---

function fill(id, items, none) {
  const list = at(id);
  const key = JSON.stringify(items);
  if (list.dataset.key === key) return;
  list.dataset.key = key;
  list.replaceChildren();
  for (const [what, note, warning, record, picture] of items) {
    const line = make("li");
    line.append(make("span", "what", what), make("span", "note", note));
    if (record) line.append(make("span", "record", record));
    if (warning) line.append(make("span", "warn", warning));
    if (picture?.length) {
      const more = make("details", "weigh");
      more.append(make("summary", "", "What a nurse would weigh"));
      const table = make("dl");
      for (const {label, text} of picture) table.append(make("dt", "", label), make("dd", "", text));
      more.append(table);
      line.append(more);
    }
    list.append(line);
  }
  if (!items.length) list.append(make("li", "small", none));
}

function ago(minutes) {
  if (minutes < 1) return "just now";
  if (minutes < 120) return `open for ${minutes} min`;
  return `open for ${Math.floor(minutes / 60)} hours`;
}

function show(state) {
  const cut = state.clock.text.lastIndexOf(" ");
  at("day-shown").textContent = state.clock.text.slice(0, cut).replace(/,$/, "");
  at("time-shown").textContent = state.clock.text.slice(cut + 1);
  const heard = [];
  for (const told of state.phones) {
    const phone = phoneOf(told);
    const news = showChat(phone, told.chat);
    showQuick(phone, sayings(phone, state)); // may make the chat lower, so the scrolling comes after it
    mark(phone, news.length > 0);
    if (phone.atEnd) toEnd(phone);
    if (news.length) heard.push(`${told.name}, ${KINDS[news.at(-1).kind] || "text"}: ${news.at(-1).body}`);
  }
  if (heard.length) at("said").textContent = heard.join(". ");
  fill("matters", state.matters.map((each) => [
    `${each.case} ${each.disposition}: ${each.who}, ${each.topic}`,
    ago(each.minutes_open) + (each.by ? `; ${each.by} has it` : ""), each.by ? "" : "Nobody has it yet", "", each.picture]), "None.");
  fill("tasks", state.tasks.map((each) => [
    `${each.case} ${each.patient || "no patient"}: ${each.about}`, `for the ${each.owner}, due ${each.due}`, "", "", each.picture]), "None.");
  fill("day", state.day.map((each) => [
    each.patient, `${each.state}; next ${each.next_due || "not planned"}`,
    each.held ? "Order on hold: no reminders" : "", each.last || "No infusion yet"]), "Nobody.");
}

// --- moving the clock ---

let moving = false;

async function move(body) {
  if (moving) return;
  moving = true;
  const buttons = document.querySelectorAll(".moves button");
  buttons.forEach((button) => button.setAttribute("aria-disabled", "true"));
  const before = new Map([...phones.values()].map((phone) => [phone, phone.newest]));
  at("moved").textContent = "Moving …";
  try {
    await ask("clock", body);
    const news = [...before].filter(([phone, newest]) => phone.newest !== newest)
      .map(([phone]) => `${phone.name} (${KINDS[JSON.parse(phone.newest).kind]})`);
    at("moved").textContent = news.length ? `New texts: ${news.join(", ")}.` : "No new text. The lists are up to date.";
  } catch (error) {
    at("moved").textContent = error.message;
  } finally {
    moving = false;
    buttons.forEach((button) => button.removeAttribute("aria-disabled"));
  }
}

for (const button of document.querySelectorAll(".moves button")) {
  const {to, minutes} = button.dataset;
  button.addEventListener("click", () => move(to ? {to} : {minutes: Number(minutes)}));
}
if (matchMedia("(max-width: 760px)").matches) at("guide").open = false; // so that the phones are seen first
document.addEventListener("visibilitychange", poll);
poll();
