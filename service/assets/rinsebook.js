// Two things, and nothing else: the board stays live, and a record checks itself.
// In front of this file stands CONTRACT, what every message of the contract is made of.

// ---- the board ------------------------------------------------------------------------------------------------

/// The service's clock less ours: this page counts by the service's.
let clockAhead = Number(document.body.dataset.now || Date.now()) - Date.now();
const serviceNow = () => Date.now() + clockAhead;

const length = (minutes) => {
  const days = Math.floor(minutes / 1440), hours = Math.floor(minutes / 60) % 24, rest = minutes % 60;
  if (days) return `${days} d ${hours} h`;
  return hours ? `${hours} h ${String(rest).padStart(2, "0")} min` : `${rest} min`;
};

/// What is left is rounded down and what is past rounded up, so that nobody reads more time than there is.
const left = (dueMs) => {
  const seconds = Math.floor(dueMs / 1000) - Math.floor(serviceNow() / 1000);
  if (seconds < 0) return `${length(Math.ceil(-seconds / 60))} over`;
  return seconds < 60 ? "under a minute left" : `${length(Math.floor(seconds / 60))} left`;
};

const countDown = () => {
  for (const time of document.querySelectorAll("time[data-due]")) {
    const text = left(Number(time.dataset.due));
    if (time.textContent !== text) time.textContent = text;
  }
};

const instant = (ms) => new Date(Number(ms)).toISOString().replace("T", " ").replace(/\.\d+Z$/, "Z");

const follow = (rows) => {
  const live = document.getElementById("live");
  let heard = Date.now(), size = live.dataset.size, judged = serviceNow(), state = "";
  const say = (now, strong, text) => {
    live.classList.toggle("lost", now === "lost");
    const said = `${strong} ${text}`;
    if (live.textContent.trim() === said) return;
    live.replaceChildren(Object.assign(document.createElement("strong"), { textContent: strong }), ` ${text}`);
    // Read out when the state changes, and not at every beat.
    live.setAttribute("aria-live", now === state ? "off" : "polite");
    state = now;
  };
  const look = () => {
    const silent = Date.now() - heard;
    // The browser gives up for good only on an answer that is no stream: nobody is signed in here any more.
    if (source.readyState === EventSource.CLOSED) {
      say("lost", "No longer live.", `You are signed out, or may not see this any more: load the page to sign in again. What you see is as known at entry ${size}, ${instant(judged)}.`);
    } else if (silent > 10000) {
      say("lost", "Connection lost.", `What you see is ${Math.floor(silent / 1000)} s old: as known at entry ${size}, ${instant(judged)}. Ask the stations before you rely on it.`);
    } else {
      say("live", "Live.", `The log has ${size} entries; the service's clock says ${instant(judged)}.`);
    }
  };
  const beat = (event) => {
    const said = JSON.parse(event.data);
    heard = Date.now(); size = said.size; judged = said.now_ms; clockAhead = said.now_ms - Date.now();
    look(); countDown();
  };
  const put = (event) => {
    const holder = document.createElement("template");
    holder.innerHTML = event.data;
    const row = holder.content.firstElementChild;
    document.getElementById(row.id)?.remove();
    const behind = [...rows.children].find((other) => other.dataset.key > row.dataset.key);
    row.classList.add("fresh");
    rows.insertBefore(row, behind || null);
    document.querySelector(".changed").textContent = `Last change: ${instant(serviceNow())}`;
  };
  const source = new EventSource(rows.dataset.events);
  source.addEventListener("beat", beat);
  source.addEventListener("row", put);
  source.addEventListener("gone", (event) => document.getElementById(`a${event.data}`)?.remove());
  source.addEventListener("count", (event) => { document.getElementById("count").innerHTML = event.data; });
  source.addEventListener("anew", () => { source.close(); location.reload(); });
  source.addEventListener("error", () => { heard = Math.min(heard, Date.now() - 11000); look(); });
  setInterval(() => { look(); countDown(); }, 1000);
};

const rows = document.getElementById("rows");
if (rows) follow(rows);
else if (document.querySelector("time[data-due]")) setInterval(countDown, 1000);

// ---- the record -----------------------------------------------------------------------------------------------
// What is shown is compared with what follows from the bytes that the page carries: see the words on the page itself.
// Bytes and rules: RFC 6962 (tree), DSSE 1.0.2 (envelopes), C2SP tlog-checkpoint and signed-note (checkpoint).

const utf8 = new TextEncoder(), text8 = new TextDecoder("utf-8", { fatal: true });
const unbase64 = (text) => Uint8Array.from(atob(text), (c) => c.charCodeAt(0));
const hex = (bytes) => [...bytes].map((b) => b.toString(16).padStart(2, "0")).join("");
const concat = (...parts) => {
  const out = new Uint8Array(parts.reduce((sum, part) => sum + part.length, 0));
  let at = 0;
  for (const part of parts) { out.set(part, at); at += part.length; }
  return out;
};
const same = (a, b) => a.length === b.length && a.every((byte, at) => byte === b[at]);
const sha256 = async (...parts) => new Uint8Array(await crypto.subtle.digest("SHA-256", concat(...parts)));
const holds = async (key, signature, message) =>
  crypto.subtle.verify("Ed25519", await crypto.subtle.importKey("raw", key, "Ed25519", false, ["verify"]), signature, message);

/// Spaces collapsed and control characters shown, as the service does with what people wrote.
const line = (text) => text
  .replace(/[\u0000-\u0008\u000e-\u001f\u007f-\u0084\u0086-\u009f]/g, "\ufffd")
  .split(/[\u0009-\u000d\u0020\u0085\u00a0\u1680\u2000-\u200a\u2028\u2029\u202f\u205f\u3000]+/).filter(Boolean).join(" ");
const spaced = (name) => name.replace(/[-_]/g, " ");

/// The strings of an element, each text node one; empty ones left out.
const strings = (element) => {
  const out = [], walk = document.createTreeWalker(element, NodeFilter.SHOW_TEXT);
  while (walk.nextNode()) { const text = line(walk.currentNode.data); if (text) out.push(text); }
  return out;
};

/// The fields of a protobuf message: [number, value], a value being a BigInt or bytes.
const wire = (bytes) => {
  const out = [];
  let at = 0;
  const varint = () => {
    for (let value = 0n, shift = 0n; shift < 70n; shift += 7n) {
      const byte = bytes[at++];
      if (byte === undefined) break;
      value |= BigInt(byte & 127) << shift;
      if (byte < 128) return BigInt.asUintN(64, value);
    }
    throw new Error("a number does not end");
  };
  while (at < bytes.length) {
    const tag = varint(), number = Number(tag >> 3n);
    if ((tag & 7n) === 0n) { out.push([number, varint()]); continue; }
    if ((tag & 7n) !== 2n) throw new Error("a field of a type that the contract does not have");
    const length = Number(varint());
    if (at + length > bytes.length) throw new Error("a field is cut off");
    out.push([number, bytes.subarray(at, at + length)]);
    at += length;
  }
  return out;
};
const field = (bytes, number) => wire(bytes).findLast(([n]) => n === number)?.[1];

const envelope = (bytes) => {
  const [payload, type, signatures] = [1, 2, 3].map((number) => field(bytes, number));
  const signature = field(signatures, 1);
  const head = utf8.encode(`DSSEv1 ${type.length} ${text8.decode(type)} ${payload.length} `);
  return { payload, type: text8.decode(type), signature, signed: concat(head, payload) };
};
const FACT = "application/vnd.rinsebook.fact.v1+protobuf";
const DERIVED = "application/vnd.rinsebook.derived.v1+json";

/// An entry of the log: 01 · u64 index · 32 previous · u64 received · u32 term · u8 flags · u8 links · links · u16 · envelope.
const entry = (bytes) => {
  const view = new DataView(bytes.buffer, bytes.byteOffset, bytes.length);
  if (bytes[0] !== 1) throw new Error("its version is not 1");
  let at = 55;
  for (let links = bytes[54]; links > 0; links--) at += 2 + bytes[at + 1] + 48;
  const length = view.getUint16(at);
  if (at + 2 + length !== bytes.length) throw new Error("its length does not fit");
  return { index: view.getBigUint64(1), received: view.getBigUint64(41), envelope: bytes.subarray(at + 2) };
};

/// The root that a leaf's proof leads to; RFC 9162, 2.1.3.2.
const rootOf = async (leaf, index, size, proof) => {
  const node = (left, right) => sha256(Uint8Array.of(1), left, right);
  let fn = index, sn = size - 1n, root = leaf;
  if (index >= size) throw new Error("it lies beyond the checkpoint");
  for (const hash of proof) {
    if (sn === 0n) throw new Error("its proof is too long");
    if (fn & 1n || fn === sn) {
      root = await node(hash, root);
      while (!(fn & 1n) && fn !== 0n) { fn >>= 1n; sn >>= 1n; }
    } else root = await node(root, hash);
    fn >>= 1n; sn >>= 1n;
  }
  if (sn !== 0n) throw new Error("its proof is too short");
  return root;
};

/// The checkpoint, once the named log key's signature on it holds.
const checkpoint = async (note, vkey) => {
  const [, name, id, key] = /^([^+]+)\+([0-9a-f]{8})\+(.+)$/.exec(vkey);
  const publicKey = unbase64(key);
  const end = note.indexOf("\n\n") + 1;
  const text = note.slice(0, end), [origin, size, root] = text.split("\n");
  const keyId = (await sha256(utf8.encode(`${name}\n`), publicKey)).subarray(0, 4);
  if (hex(keyId) !== id || origin !== name) throw new Error("the log key named is not this log's");
  for (const signed of note.slice(end + 1).split("\n")) {
    const [, by, blob] = /^— (\S+) (\S+)$/.exec(signed) || [];
    const bytes = by === name ? unbase64(blob) : null;
    if (bytes && same(bytes.subarray(0, 4), keyId)) {
      if (!await holds(publicKey.subarray(1), bytes.subarray(4), utf8.encode(text))) break;
      return { size: BigInt(size), root: unbase64(root), logKey: publicKey.subarray(1) };
    }
  }
  throw new Error("the checkpoint is not signed under the log key named");
};

// -- a fact's words, from its bytes: the same reading as the service's, by the contract alone

const UNITS = { _tenths_celsius: [1, " °C"], _tenths_percent: [1, " %"], _millilitres: [3, " L"],
  _millinewton_metres: [3, " N·m"], _per_mille: [0, " ‰"], _seconds: [0, " s"], _bytes: [0, " bytes"], _unix_day: [], _ms: [] };
const LAST_MS = 253402300799999n;

const exact = (ms) => {
  if (ms < 0n || ms > LAST_MS) return `${ms} ms`;
  return new Date(Number(ms)).toISOString().replace("T", " ").replace(".000Z", "Z");
};
const number = (value, unit) => {
  if (unit === "_ms") return exact(value);
  if (unit === "_unix_day") return value < 0n || value > LAST_MS / 86400000n ? String(value) : exact(value * 86400000n).slice(0, 10);
  if (!UNITS[unit]) return String(value);
  const [decimals, of] = UNITS[unit], sign = value < 0n ? "−" : "";
  const digits = String(value < 0n ? -value : value).padStart(decimals + 1, "0");
  return sign + (decimals ? `${digits.slice(0, -decimals)}.${digits.slice(-decimals)}` : digits) + of;
};
const zigzag = (value) => (value & 1n ? -(value >> 1n) - 1n : value >> 1n);
const bytesShown = (bytes) => bytes.length > 64 ? `${hex(bytes.subarray(0, 64))}… (${bytes.length} bytes)` : hex(bytes);

const kindOf = (payload) => {
  const found = wire(payload).find(([n]) => n >= 32);
  return found && CONTRACT.m.Fact[found[0]] && { field: CONTRACT.m.Fact[found[0]], bytes: found[1] };
};

const fields = (type, bytes, prefix, names, out) => {
  for (const [n, value] of wire(bytes)) {
    const known = CONTRACT.m[type][n];
    if (!known) continue;
    const [name, kind, of] = known;
    const unit = Object.keys(UNITS).find((suffix) => name.endsWith(suffix)) || "";
    const own = spaced(name.slice(0, name.length - unit.length)), label = prefix ? `${prefix}, ${own}` : own;
    const put = (shown) => out.push([label, shown]);
    if (kind === "m" && of === "EngineAt") {
      put(`${field(value, 1) ?? 0n}, serial number ${line(text8.decode(field(value, 2) ?? new Uint8Array()))}`);
    } else if (kind === "m" && of === "AnnexRef") {
      const digest = hex(field(value, 1) ?? []);
      put(names.annexes.get(digest) ?? `kept beside the log under ${digest}`);
    } else if (kind === "m" && (of === "AttachmentRef" || of === "ProcedureRef")) put(hex(field(value, 1) ?? []));
    else if (kind === "m") fields(of, value, label, names, out);
    else if (kind === "y" && name === "kind_field") {
      const inner = kindOf(value);
      if (inner) fields(inner.field[2], inner.bytes, `in its place, ${spaced(inner.field[0])}`, names, out);
      else put("cannot be read");
    } else if (kind === "y") put(names.people.get(hex(value)) ?? bytesShown(value));
    else if (kind === "e") put(CONTRACT.e[of][Number(BigInt.asIntN(32, value))] ?? String(BigInt.asIntN(32, value)));
    else if (kind === "s") put(line(text8.decode(value)));
    else if (kind === "b") put(value ? "yes" : "no");
    else put(number(kind === "z" ? zigzag(value) : value, unit));
  }
};

const header = (payload) => {
  const bytes = field(payload, 1), all = wire(bytes);
  const get = (n) => all.findLast(([m]) => m === n)?.[1];
  return { device: get(2), author: get(6), happened: get(7) ?? 0n, refers: all.filter(([n]) => n === 16).map(([, v]) => v) };
};

/// What a fact's block has to say.
const words = (fact, names) => {
  const kind = kindOf(fact.envelope.payload), lines = [];
  if (kind) fields(kind.field[2], kind.bytes, "", names, lines);
  const { device, author, happened, refers } = fact.header;
  for (const hash of refers) lines.push(["acts on", names.places.has(hex(hash)) ? `entry ${names.places.get(hex(hash))}` : hex(hash)]);
  lines.push(["happened", exact(happened)], ["received", exact(fact.received)]);
  lines.push(["signed by", names.signers.get(hex(author))?.name ?? "nobody enrolled here"], ["signing key", hex(author)]);
  lines.push(["device", hex(device)], ["envelope SHA-256", hex(fact.envelopeHash)], ["entry SHA-256", hex(fact.leaf)]);
  return [`Entry ${fact.index}: ${kind ? spaced(kind.field[0]) : "cannot be read"}`, ...lines.flat()].map(line).filter(Boolean);
};

/// People and keys, from the entries that enrolled them; annexes by the digest that the entries name.
const enrol = async (facts, names) => {
  const person = (bytes) => {
    const id = hex(field(bytes, 1) ?? []), annex = field(bytes, 2);
    names.people.set(id, (annex && names.annexes.get(hex(field(annex, 1) ?? []))) ?? `person ${id.slice(0, 8)}`);
  };
  const key = async (publicKey, name) => names.signers.set(hex(await sha256(Uint8Array.of(1), publicKey)), { publicKey, name });
  const enrolled = async (person, bytes) => key(field(bytes, 2), names.people.get(person) ?? `person ${person.slice(0, 8)}`);
  const kinds = facts.map((fact) => kindOf(fact.envelope.payload)).filter(Boolean).map((k) => [k.field[0], k.bytes]);
  for (const [kind, bytes] of kinds) {
    if (kind === "person_enrolled") person(bytes);
    if (kind === "record_founded" || kind === "custody_reestablished") person(field(bytes, 1));
  }
  for (const [kind, bytes] of kinds) {
    if (kind === "record_founded") await key(field(bytes, 4), "the service");
    const inner = kind === "key_enrolled" ? bytes : kind === "record_founded" || kind === "custody_reestablished" ? field(bytes, 2) : null;
    if (inner) await enrolled(hex(field(inner, 1)), inner);
  }
};

const firstDifference = (shown, asked) => {
  const at = Math.max(shown.length, asked.length) && [...Array(Math.max(shown.length, asked.length)).keys()].find((i) => shown[i] !== asked[i]);
  const said = (text) => (text === undefined ? "nothing" : `“${text}”`);
  return `it shows ${said(shown[at])} where ${said(asked[at])} belongs`;
};

/// Checks the whole record; gives what is wrong, and what it was checked under.
const check = async (main, proof) => {
  const wrong = [];
  const mark = (element, why) => { element.dataset.checked = why ? "bad" : "good"; if (why) wrong.push(why); };
  const head = await checkpoint(text8.decode(unbase64(proof.dataset.note)), proof.dataset.vkey);
  const names = { people: new Map(), annexes: new Map(), signers: new Map(), places: new Map() };
  for (const { value } of proof.content.querySelectorAll("data")) {
    const bytes = unbase64(value);
    names.annexes.set(hex(await sha256(bytes)), line(text8.decode(bytes.subarray(16))));
  }
  const articles = [...main.querySelectorAll("article")], facts = [];
  for (const article of articles) {
    try {
      const data = unbase64(article.dataset.entry), read = entry(data);
      const leaf = await sha256(Uint8Array.of(0), data);
      const path = article.dataset.proof.split(" ").filter(Boolean).map(unbase64);
      if (!same(await rootOf(leaf, read.index, head.size, path), head.root)) throw new Error("the checkpoint does not hold it");
      const sealed = envelope(read.envelope);
      if (sealed.type !== FACT) throw new Error("it is no fact");
      facts.push({ article, leaf, index: read.index, received: read.received, envelope: sealed, header: header(sealed.payload),
        envelopeHash: await sha256(read.envelope) });
    } catch (why) { mark(article, `An entry (${strings(article)[0]}): ${why.message}.`); }
  }
  for (const fact of facts) names.places.set(hex(fact.envelopeHash), fact.index);
  const founding = facts.find((fact) => fact.index === 0n);
  if (!founding) throw new Error("the founding entry is missing");
  const founded = kindOf(founding.envelope.payload).bytes;
  const statement = envelope(unbase64(proof.dataset.statement));
  if (statement.type !== DERIVED || !await holds(field(founded, 4), statement.signature, statement.signed)) {
    throw new Error("what the rules derive is not signed by the service that the founding entry names");
  }
  const derived = JSON.parse(text8.decode(statement.payload));
  await enrol(facts.filter((fact) => derived.enrolments.includes(Number(fact.index))), names);
  for (const fact of facts) {
    const signer = names.signers.get(hex(fact.header.author));
    const good = signer && await holds(signer.publicKey, fact.envelope.signature, fact.envelope.signed);
    const shown = strings(fact.article), asked = words(fact, names);
    if (!good) mark(fact.article, `Entry ${fact.index}: its signature holds under no key enrolled here.`);
    else if (shown.join("\n") !== asked.join("\n")) mark(fact.article, `Entry ${fact.index}: ${firstDifference(shown, asked)}.`);
    else mark(fact.article, "");
  }
  const order = [...derived.facts, ...derived.enrolments].join();
  if (facts.map((fact) => fact.index).join() !== order) wrong.push("Facts are missing, added or in another order than the service gave them out in.");
  const sections = [...main.children].filter((child) => child.dataset.by === "service");
  sections.forEach((section, at) => {
    const shown = strings(section), asked = derived.sections[at] || [];
    mark(section, shown.join("\n") === asked.join("\n") ? "" : `${asked[0] || "A part"}: ${firstDifference(shown, asked)}.`);
  });
  if (sections.length !== derived.sections.length) wrong.push("Parts are missing or added.");
  const others = [...main.childNodes].filter((node) => node.nodeType === 1 ? !["service", "signer"].includes(node.dataset.by) : line(node.data || ""));
  const beside = [...document.body.childNodes].filter((node) => node.nodeType === 1
    ? !node.matches("a.skip, header.top, footer.foot, #check, #main, #proof") : node.nodeType === 3 && line(node.data));
  if (others.length || beside.length) wrong.push("Words stand here that belong to no part of the record.");
  if (main.querySelector("[hidden], [style], style, script, link, img, iframe, object, input")) wrong.push("Something in it is hidden or drawn over.");
  return { wrong, facts: derived.facts.length, enrolments: derived.enrolments.length, size: head.size,
    firstKey: same(head.logKey, field(founded, 7) ?? []) };
};

const checkRecord = (main) => {
  const proof = document.getElementById("proof"), box = document.getElementById("check");
  const CAVEAT = "This check came with the page: whoever forges a record can change its checker too. For proof, have a pack of this aircraft verified with “rinsebook verify” and a log key that you did not get from this page.";
  const tell = (state, title, lines) => {
    box.className = `check ${state}`;
    const made = (tag, textContent) => Object.assign(document.createElement(tag), { textContent });
    const again = made("button", "Check again");
    again.id = "again";
    again.addEventListener("click", run);
    const list = document.createElement("ul");
    list.append(...lines.map((text) => made("li", text)));
    const key = made("p", "Log key: ");
    key.append(made("code", proof.dataset.vkey));
    box.replaceChildren(made("h2", title), list, key, made("p", CAVEAT), again);
    box.dataset.state = state;
  };
  let running = 0;
  const run = async () => {
    const mine = ++running;
    if (!globalThis.crypto?.subtle) { tell("unknown", "Not checked: this browser gives no cryptography here", ["Open the record over https, or have a pack verified."]); return; }
    let found;
    try { found = await check(main, proof); } catch (why) { found = { wrong: [`${why.message}.`] }; }
    if (mine !== running) return;
    if (found.wrong.length) {
      const said = found.wrong.slice(0, 8), more = found.wrong.length - said.length;
      tell("bad", "BAD: this is not the record as it was signed", more ? [...said, `And ${more} more.`] : said);
    } else {
      tell("good", "Good: what is shown is what was signed", [
        `${found.facts} facts and ${found.enrolments} enrolments are held by the log's checkpoint of size ${found.size}; each signature holds under its signer's key; each word of them follows from the signed bytes.`,
        "It says nothing about whether the work was good or something is open: that stands in the record, under its own headings.",
        "What the rules derive is, word by word, what the service signed; the shapes of the drawings are not checked.",
        found.firstKey ? "The log key below is the one that the founding entry names." : "The log key below is not the first of this log: ask the custodian for the change.",
      ]);
    }
  };
  let soon;
  new MutationObserver(() => { clearTimeout(soon); soon = setTimeout(run, 50); })
    .observe(main, { subtree: true, childList: true, characterData: true, attributes: true, attributeFilter: ["data-entry", "data-proof", "data-by", "hidden", "style"] });
  run();
};

const record = document.querySelector("main[data-record]");
if (record) checkRecord(record);
