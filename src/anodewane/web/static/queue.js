"use strict";
// Photos on their way. Each is put into the phone's own store (IndexedDB) before anything is sent, and taken out only once the laptop has it whole on its disk: a page that
// reloads, a lost connection or a restarted server lose nothing. Sent in pieces; the laptop says where to go on.
const PIECE = 128 * 1024;
const csrf = document.querySelector('meta[name="csrf"]').content;
const bar = document.getElementById("queue");

function store() {
  return new Promise((yes, no) => {
    const ask = indexedDB.open("anodewane", 1);
    ask.onupgradeneeded = () => ask.result.createObjectStore("photos", { keyPath: "id" });
    ask.onsuccess = () => yes(ask.result);
    ask.onerror = () => no(ask.error);
  });
}
async function inStore(mode, work) {
  const db = await store();
  try {
    return await new Promise((yes, no) => {
      const t = db.transaction("photos", mode);
      const asked = work(t.objectStore("photos"));
      t.oncomplete = () => yes(asked.result);
      t.onerror = t.onabort = () => no(t.error);
    });
  } finally { db.close(); }
}
const waiting = async () => (await inStore("readonly", (s) => s.getAll())).sort((a, b) => a.at - b.at);
const number = () => [...crypto.getRandomValues(new Uint8Array(16))].map((b) => b.toString(16).padStart(2, "0")).join("");

class Refused extends Error { constructor(status, told) { super(told.says || "refused"); this.status = status; this.told = told; } }

function send(method, url, body, progress) {
  return new Promise((yes, no) => {
    const x = new XMLHttpRequest();
    x.open(method, url);
    x.timeout = 60000;
    x.setRequestHeader("x-csrf", csrf);
    if (progress) x.upload.onprogress = (e) => progress(e.loaded);
    x.onload = () => {
      let told = {};
      try { told = JSON.parse(x.responseText); } catch (e) { told = {}; }
      if (x.status >= 200 && x.status < 300) yes(told); else no(new Refused(x.status, told));
    };
    x.onerror = x.ontimeout = x.onabort = () => no(new Refused(0, {}));
    x.send(body);
  });
}
const sleep = (ms) => new Promise((yes) => setTimeout(yes, ms));

function say(text) {
  const kept = [...held.values()];
  bar.hidden = !text && !kept.length;
  bar.textContent = text;
  for (const { photo, why } of kept) {
    // nothing is thrown away but by hand
    const line = document.createElement("p"), button = document.createElement("button");
    line.textContent = `${photo.boat}, ${photo.position}: ${why} The photo is kept on this phone and tried again when a page is loaded.`;
    button.className = "button";
    button.textContent = "Throw it away";
    button.addEventListener("click", async () => {
      if (!window.confirm("Throw this photo away?")) return;
      await inStore("readwrite", (s) => s.delete(photo.id));
      held.delete(photo.id);
      say("");
    });
    bar.append(line, button);
  }
}
const held = new Map();
function form(photo) {
  return [...document.querySelectorAll(".capture")].find((f) => f.dataset.boat === photo.boat && f.dataset.position === photo.position);
}
function tell(photo, text, share) {
  const f = form(photo);
  if (!f) return;
  f.querySelector(".state").textContent = text;
  f.querySelector(".progress").hidden = share === undefined;
  if (share !== undefined) f.querySelector("progress").value = share;
}

// --- the quick look: a small copy goes ahead of the photo, so that a spoilt one is told of while the hand is still by the part
const COPY_PX = 1280, PATIENCE_MS = 400;
const whole = new Set(); // photos that the laptop has

// The camera's own facts, for its focal length tells how near it was: the EXIF block of a JPEG, as it is.
async function factsOf(file) {
  const b = new Uint8Array(await file.slice(0, 131072).arrayBuffer()), v = new DataView(b.buffer);
  if (b.length < 4 || v.getUint16(0) !== 0xffd8) return [];
  for (let at = 2; at + 10 < b.length; at += 2 + v.getUint16(at + 2)) {
    const kind = v.getUint16(at), end = at + 2 + v.getUint16(at + 2);
    if (kind === 0xffe1 && v.getUint32(at + 4) === 0x45786966 && end <= b.length) return [b.slice(at, end)]; // "Exif"
    if (kind < 0xffe0 || kind > 0xffef) break;
  }
  return [];
}
async function copyOf(file) {
  const picture = await createImageBitmap(file); // fails where the browser can't decode it (HEIC in most): then the judgement alone tells
  const canvas = document.createElement("canvas");
  try {
    const scale = Math.min(1, COPY_PX / Math.max(picture.width, picture.height));
    canvas.width = Math.max(1, Math.round(picture.width * scale));
    canvas.height = Math.max(1, Math.round(picture.height * scale));
    const on = canvas.getContext("2d");
    on.imageSmoothingQuality = "high";
    on.drawImage(picture, 0, 0, canvas.width, canvas.height);
  } finally { picture.close(); }
  const small = await new Promise((yes, no) => canvas.toBlob((b) => (b ? yes(b) : no(new Error("no copy"))), "image/jpeg", 0.85));
  return new Blob([small.slice(0, 2), ...await factsOf(file), small.slice(2)]);
}
async function look(photo, f) {
  let told;
  try {
    const [copy] = await Promise.all([copyOf(photo.blob), sleep(PATIENCE_MS)]);
    if (whole.has(photo.id) || dropped.has(photo.id)) return; // the judgement itself is as quick
    told = await send("POST", "/quick", copy);
  } catch (e) { return; }
  if (!told.found || !told.found.length || f.dataset.follow !== photo.id || f.dataset.judged) return;
  const warned = f.querySelector(".warned"), stop = told.found.some((w) => w.stop);
  warned.replaceChildren(...told.found.flatMap((w) => {
    const head = document.createElement("p"), text = document.createElement("p");
    head.className = "gone";
    head.append(Object.assign(document.createElement("b"), { textContent: `${w.head}.` }));
    text.className = "big";
    text.textContent = w.remedy || w.says;
    return [head, text];
  }));
  warned.hidden = false;
  if (!stop) return;
  f.dataset.warned = photo.id;
  name(f, "Take it again");
  f.querySelector(".anyway").hidden = false;
  warned.scrollIntoView({ block: "nearest" });
}
function name(f, words) {
  f.querySelector(".main span").textContent = words;
  f.querySelector(".main input").setAttribute("aria-label", `${words}: ${f.dataset.position}`);
}
function unwarn(f) {
  const warned = f.querySelector(".warned");
  warned.hidden = true;
  warned.replaceChildren();
  f.querySelector(".anyway").hidden = true;
  f.querySelector(".anyway").textContent = "Judge it all the same";
  name(f, f.dataset.words);
  delete f.dataset.warned;
}
// A photo that was warned of and taken again needn't go: whoever takes it again lets go of it.
const dropped = new Set();
async function drop(id) {
  dropped.add(id);
  await inStore("readwrite", (s) => s.delete(id));
  try { await send("DELETE", `/upload/${id}`); } catch (e) { /* whole already, or out of reach: the later photo counts anyway */ }
}
// To the verdict, unless somebody is in the middle of taking another photo or of reading a warning.
function onward(f) {
  if (!f.dataset.judged) return;
  if (f.dataset.taking || f.dataset.warned) {
    const button = f.querySelector(".anyway");
    button.hidden = false;
    button.textContent = "See its verdict";
    return;
  }
  location.assign(`/judgement/${f.dataset.judged}`);
}

async function one(photo) {
  const { id, boat, position, template = "" } = photo;
  let told = await send("POST", "/upload", JSON.stringify({ id, boat, position, template, size: photo.blob.size }));
  while (told.state === "receiving" && !dropped.has(photo.id)) {
    const from = told.received;
    const shown = (sent) => {
      const share = Math.min(99, Math.round(100 * (from + sent) / photo.blob.size));
      tell(photo, `Sending: ${share} %`, share);
    };
    shown(0);
    told = await send("PUT", `/upload/${photo.id}?offset=${from}`, photo.blob.slice(from, from + PIECE), shown);
  }
  whole.add(photo.id);
  await inStore("readwrite", (s) => s.delete(photo.id));
  if (!dropped.has(photo.id)) follow(photo.id, photo);
}

let pumping = false;
async function pump() {
  if (pumping) return;
  pumping = true;
  let pause = 500;
  try {
    for (;;) {
      const all = (await waiting()).filter((p) => !held.has(p.id));
      if (!all.length) { say(""); return; }
      const photo = all[0];
      say(`${all.length} ${all.length === 1 ? "photo" : "photos"} on this phone still to send`);
      try {
        await one(photo);
        pause = 500;
      } catch (e) {
        if (!(e instanceof Refused)) throw e;
        if (dropped.has(photo.id)) continue;
        if (e.status === 401 || e.status === 403) {
          say(`${all.length} on this phone still to send. This phone has to be paired again; the photos are kept on it.`);
          tell(photo, "Pair this phone again, then the photo goes.");
          return;
        }
        if (e.status === 409 && e.told.says === "Another photo has that number.") {
          const again = { ...photo, id: number() }, f = form(photo);
          await inStore("readwrite", (s) => { s.put(again); return s.delete(photo.id); }); // one transaction: never without it
          if (f && f.dataset.follow === photo.id) f.dataset.follow = again.id;
          continue;
        }
        if (e.status === 404) { await sleep(1000); continue; } // the laptop doesn't know it: announced anew
        if (e.status === 409 || e.status === 413 || e.status === 422) {
          const why = `${e.told.says || "It wasn't taken."} ${e.told.remedy || ""}`;
          held.set(photo.id, { photo, why });
          tell(photo, why);
          continue;
        }
        const text = e.status === 0 ? "No connection. The photo is kept on this phone and goes when the laptop is back." : `${e.told.says || "Not now."} The photo is kept on this phone.`;
        say(`${all.length} on this phone still to send. ${text}`);
        tell(photo, text);
        await sleep(pause);
        pause = Math.min(pause * 2, 8000);
      }
    }
  } catch (e) {
    say("This browser can't keep photos. Leave private browsing, or free some space on the phone.");
  } finally { pumping = false; }
}

async function follow(id, photo) {
  tell(photo, "Judging ...");
  for (;;) {
    let told;
    try { told = await send("GET", `/upload/${id}?wait=1`); } catch (e) {
      if (e.status === 404) tell(photo, "Another phone's photo of this part is being judged. Load the page again in a moment.");
      if (e.status !== 0 && e.status !== 429 && e.status !== 503) return;
      tell(photo, "No connection. The photo is on the laptop and will be judged.");
      await sleep(1500);
      continue;
    }
    if (told.state === "done") {
      tell(photo, "Done.");
      const f = form(photo);
      if (f && f.dataset.follow === id) {
        f.dataset.judged = told.judgement;
        onward(f);
      }
      return;
    }
    if (told.state === "failed") { tell(photo, `${told.says} ${told.remedy}`); return; }
    await sleep(50);
  }
}

for (const f of document.querySelectorAll(".capture")) {
  f.querySelector(".anyway").addEventListener("click", () => {
    delete f.dataset.taking;
    unwarn(f);
    onward(f);
  });
  if (f.dataset.waiting) {
    f.dataset.follow = f.dataset.waiting;
    follow(f.dataset.waiting, { boat: f.dataset.boat, position: f.dataset.position });
  }
  for (const input of f.querySelectorAll("input[type=file]")) {
    const take = async () => {
      const file = input.files[0];
      if (!file) return;
      const part = document.getElementById("template");
      if (part && !part.value) {
        input.value = "";
        f.querySelector(".state").textContent = "Choose the part first, then take the photo again.";
        part.focus();
        return;
      }
      const photo = { id: number(), boat: f.dataset.boat, position: f.dataset.position, at: Date.now(), blob: file };
      if (part) photo.template = part.value;
      try {
        await inStore("readwrite", (s) => s.put(photo));
      } catch (e) {
        tell(photo, "This phone can't keep the photo: leave private browsing, or free some space, and take it again.");
        return;
      }
      const before = f.dataset.warned;
      if (before) await drop(before).catch(() => {});
      unwarn(f);
      delete f.dataset.judged;
      f.dataset.follow = photo.id;
      input.value = "";
      look(photo, f);
      pump();
    };
    input.addEventListener("click", () => { f.dataset.taking = "1"; });
    input.addEventListener("cancel", () => { delete f.dataset.taking; onward(f); });
    input.addEventListener("change", () => { delete f.dataset.taking; take(); });
    take(); // on a slow link the photo may be taken before this script is here
  }
}
waiting().then((all) => {
  for (const photo of all) { const f = form(photo); if (f) f.dataset.follow = photo.id; }
}).catch(() => {}).finally(pump);
window.addEventListener("online", pump);

// Signing out leaves photos on the phone that nobody sends: asked about first.
const leaving = document.querySelector('form[action="/leave"]');
leaving?.addEventListener("submit", async (event) => {
  if (leaving.dataset.sure) return;
  event.preventDefault();
  const left = await waiting().catch(() => []);
  const photos = left.length === 1 ? "1 photo is" : `${left.length} photos are`;
  if (left.length && !window.confirm(`${photos} still on this phone and not sent. Sign out all the same?`)) return;
  leaving.dataset.sure = "1";
  leaving.submit();
});
