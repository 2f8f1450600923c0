// Saves each answer as it is given, and keeps trying while the connection is lost.
// Without it the pages work the same, and an answer is saved with the button.
"use strict";
(function () {
  const form = document.getElementById("answer");
  const state = document.getElementById("state");
  const home = (form || document.querySelector("main")).dataset;
  const LONGEST = 15;
  let busy = false, failures = 0, timer = 0, dirty = 0, leaving = "", sent = false, offered = [], behind = false;

  // Something by address that outlives the page where the phone allows it.
  function kept(key) {
    let memory = {};
    return {
      all() {
        try { return JSON.parse(localStorage.getItem(key)) || memory; } catch { return memory; }
      },
      set(path, value) {
        memory = this.all();
        if (value === undefined) delete memory[path]; else memory[path] = value;
        try {
          if (Object.keys(memory).length) localStorage.setItem(key, JSON.stringify(memory));
          else localStorage.removeItem(key);
        } catch { /* no storage: it lives as long as the page */ }
      },
    };
  }
  const unsent = kept("unsent " + home.base);    // answers that are not acknowledged
  const refused = kept("refused " + home.base);  // those that the host's computer does not take

  const tabs = window.BroadcastChannel && new BroadcastChannel("answers " + home.base);

  function say(text, kind) {
    if (!state) return;
    state.textContent = text;
    state.className = kind || "";
  }

  function store() {
    clearTimeout(dirty);
    dirty = 0;
    form.elements.turn.value = Number(form.elements.turn.value) + 1;
    refused.set(location.pathname);
    offered = [];
    unsent.set(location.pathname, new URLSearchParams(new FormData(form)).toString());
    send();
  }

  async function send() {
    clearTimeout(timer);
    if (busy) return;
    const [path, body] = Object.entries(unsent.all())[0] || offered.shift() || [];
    if (!path) return finished();
    busy = true;
    if (!failures) say("Saving…");
    const clock = new AbortController();
    const limit = setTimeout(() => clock.abort(), 10000);
    let reply = null, said = {};
    try {
      reply = await fetch(path, {
        method: "POST",
        body,
        headers: { "Content-Type": "application/x-www-form-urlencoded", Accept: "application/json" },
        keepalive: body.length < 60000,
        signal: clock.signal,
      });
      said = await reply.json();
    } catch { reply = null; }
    clearTimeout(limit);
    busy = false;
    settle(path, body, reply ? reply.status : 0, said);
  }

  function settle(path, body, status, said) {
    if (status === 200) {
      failures = 0;
      sent = true;
      acknowledged(path, body, said);
      return send();
    }
    if (status >= 400 && status < 500 && status !== 429) {
      failures = 0;
      leaving = "";
      if (unsent.all()[path] === body) unsent.set(path);
      if (said.problems) said.problems.forEach((problem) => fault(problem.field, problem.text));
      else putAside(path, body, said.message);
      return send();
    }
    failures += 1;
    const wait = Math.min(2 ** (failures - 1), LONGEST) * (0.75 + Math.random() / 2);
    say(said.message || "Not saved yet. Still trying: keep this page open.", "bad");
    timer = setTimeout(send, 1000 * wait);
  }

  function acknowledged(path, body, said) {
    const waiting = unsent.all()[path];
    if (waiting === body) unsent.set(path);
    else if (waiting) {
      const newer = new URLSearchParams(waiting);
      newer.set("base", said.mark);
      for (const [name, text] of Object.entries(said.filled)) {
        if (!newer.get(name)) newer.set(name, text);
      }
      unsent.set(path, newer.toString());
    }
    if ((refused.all()[path] || {}).body === body) refused.set(path);
    showRefused();
    if (form && path === location.pathname) {
      form.elements.base.value = said.mark;
      fill(new Map(Object.entries(said.filled)), true);
      showRead(said.scores);
    }
    if (tabs) tabs.postMessage(path);
    if (said.replaced) alsoElsewhere();
  }

  // An answer that is not taken is kept and shown, and stops no other.
  function putAside(path, body, message) {
    refused.set(path, { body, message });
    if (form && path === location.pathname) say("Not saved", "bad");
    showRefused();
  }

  function showRefused() {
    const answers = Object.values(refused.all());
    const codes = answers.map((answer) => new URLSearchParams(answer.body).get("code"));
    const text = answers.length &&
      `Not saved, but kept on this phone: cup ${codes.join(", ")}. ${answers[0].message || ""} `;
    const old = document.getElementById("refused");
    if (old && old.firstChild.data === text) return;
    if (old) old.remove();
    if (!text) return;
    const note = document.createElement("p");
    note.id = "refused";
    note.className = "notice";
    note.setAttribute("role", "alert");
    const on = document.createElement("a");
    on.href = home.base;
    on.textContent = "Go on";
    note.append(text, on);
    document.querySelector("h1").after(note);
  }

  // The host may have opened the session again.
  function offerAgain() {
    showRefused();
    offered = Object.entries(refused.all()).map(([path, answer]) => [path, answer.body]);
    send();
  }

  // A number that is typed is shown as it was understood: 7,5 as 7.5.
  function showRead(scores) {
    for (const [name, score] of Object.entries(scores)) {
      const place = document.getElementById(name + "-read");
      if (place) place.textContent = score && `Read as ${score}`;
    }
  }

  function finished() {
    if (leaving) location.assign(leaving);
    else if (sent && !refused.all()[location.pathname]) say(form ? "Saved" : "Everything is saved now", "good");
  }

  function fault(name, text) {
    const place = document.getElementById(name + "-fault");
    if (place) place.textContent = text;
    say("Not saved: see above", "bad");
  }

  function alsoElsewhere() {
    const note = document.createElement("p");
    note.className = "notice";
    note.setAttribute("role", "status");
    note.textContent = "This cup had been answered on another page or phone. Your last answer " +
      "counts; the earlier one is kept for the host.";
    document.querySelector("h1").after(note);
  }

  // An answer that was not acknowledged when the page was left is shown again.
  function restore() {
    const aside = refused.all()[location.pathname];
    const body = unsent.all()[location.pathname] || (aside && aside.body);
    if (!body) return;
    fill(new URLSearchParams(body));
  }

  // With `blank`, only what is still blank.
  function fill(fields, blank) {
    for (const field of [...form.elements]) {
      if (field.type === "hidden" || !fields.has(field.name)) continue;
      if (blank && form.elements[field.name].value) continue;
      if (field.type === "radio") field.checked = field.value === fields.get(field.name);
      else field.value = fields.get(field.name);
    }
    showValues();
  }

  function showValues() {
    for (const value of form.querySelectorAll("output.value")) {
      const [{ name }] = value.closest("fieldset").querySelectorAll("input");
      value.textContent = form.elements[name].value.replace("-", "−");
    }
  }

  // A finger that slides along the line picks the step below it; lifting it answers.
  function slide(line) {
    const steps = [...line.querySelectorAll("input")];
    const all = [...form.elements[steps[0].name]];
    let before = null;
    function pick(event) {
      const { left, width } = line.getBoundingClientRect();
      const place = Math.floor((event.clientX - left) / width * steps.length);
      steps[Math.min(Math.max(place, 0), steps.length - 1)].checked = true;
      showValues();
    }
    line.addEventListener("pointerdown", (event) => {
      if (event.button || !event.isPrimary) return;
      before = all.find((step) => step.checked);
      line.setPointerCapture(event.pointerId);
      pick(event);
    });
    line.addEventListener("pointermove", (event) => { if (before) pick(event); });
    line.addEventListener("pointerup", () => {
      const now = all.find((step) => step.checked);
      if (!before) return;
      now.focus({ preventScroll: true });
      if (now !== before) now.dispatchEvent(new Event("change", { bubbles: true }));
      before = null;
    });
    line.addEventListener("pointercancel", () => {
      if (before) before.checked = true;
      before = null;
      showValues();
    });
  }

  function nudge({ currentTarget: { dataset } }) {
    const steps = [...form.elements[dataset.of]].filter((step) => step.value);
    const next = steps[steps.findIndex((step) => step.checked) + Number(dataset.by)];
    if (!next || !steps.some((step) => step.checked)) return;
    next.checked = true;
    next.dispatchEvent(new Event("change", { bubbles: true }));
  }

  // A second tab shows what was given in the first, as soon as it has nothing to send itself. What
  // is unsent may be seen here later than the message comes, so it looks again until it is so.
  function follow() {
    if (behind && !dirty && !unsent.all()[location.pathname]) location.replace(location.href);
  }

  function listen() {
    form.querySelectorAll(".line").forEach(slide);
    for (const button of form.querySelectorAll("[data-by]")) {
      button.hidden = false;
      button.addEventListener("click", nudge);
    }
    form.addEventListener("change", showValues);
    showValues();
    form.addEventListener("change", (event) => {
      for (const about of ["-fault", "-read"]) {
        const place = document.getElementById(event.target.name + about);
        if (place) place.textContent = "";
      }
      store();
    });
    form.elements.comment.addEventListener("input", () => {
      clearTimeout(dirty);
      dirty = setTimeout(store, 900);
    });
    form.addEventListener("submit", (event) => {
      event.preventDefault();
      const go = event.submitter ? event.submitter.value : "next";
      leaving = form.dataset[go] || form.dataset.next;
      store();
    });
    addEventListener("pagehide", () => { if (dirty) store(); });
  }

  // Goes on when the host opens the next session; what is not sent yet comes first.
  async function lookAgain() {
    try {
      const { session } = await (await fetch(home.base + "/now")).json();
      if (session !== home.now && !Object.keys(unsent.all()).length) {
        return session ? location.assign(home.base) : location.reload();
      }
    } catch { /* the host's computer does not answer: look again later */ }
    setTimeout(lookAgain, 4000);
  }

  if (tabs) tabs.onmessage = ({ data }) => { behind = behind || Boolean(form && data === location.pathname); follow(); };
  if (form) {
    const early = [...form.querySelectorAll("input:not([type=hidden]), textarea")].some((field) =>
      field.type === "radio" ? field.checked !== field.defaultChecked : field.value !== field.defaultValue);
    restore();
    listen();
    say("Answers are saved as you give them.");
    if (early) store();  // given before this script ran
  }
  if (home.now !== undefined) lookAgain();
  addEventListener("online", send);
  addEventListener("storage", follow);
  document.addEventListener("visibilitychange", () => { if (!document.hidden) send(); });
  offerAgain();
  setInterval(() => { follow(); if (Object.keys(refused.all()).length) offerAgain(); }, 4000);
})();
