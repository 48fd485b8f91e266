'use strict';
// Results typed while the board cannot be reached are kept on this device and sent later. Each has a
// key of its own, so that the board takes it once, however often it arrives.
(() => {
  const form = document.querySelector('form[data-outbox]');
  if (!form || !window.indexedDB) return;
  const told = document.getElementById('told');
  const waiting = document.getElementById('waiting');
  const who = form.dataset.outbox;
  const EVERY_MS = 5000;
  let sending = false;

  const asked = (request) => new Promise((resolve, reject) => {
    request.onsuccess = () => resolve(request.result);
    request.onerror = () => reject(request.error);
  });
  const opened = (() => {
    const request = indexedDB.open('vaultplan-board', 1);
    request.onupgradeneeded = () => request.result.createObjectStore('outbox', { keyPath: 'key' });
    return asked(request);
  })();
  // A write counts when its transaction is done: then it outlives the browser.
  const change = async (what) => {
    const transaction = (await opened).transaction('outbox', 'readwrite', { durability: 'strict' });
    const done = new Promise((resolve, reject) => {
      transaction.oncomplete = resolve;
      transaction.onabort = () => reject(transaction.error);
    });
    what(transaction.objectStore('outbox'));
    await done;
  };
  const keep = (item) => change((store) => store.put(item));
  const drop = (key) => change((store) => store.delete(key));
  const kept = async () => {
    const items = await asked((await opened).transaction('outbox').objectStore('outbox').getAll());
    return items.sort((a, b) => a.at - b.at);
  };

  const newKey = () => Array.from(crypto.getRandomValues(new Uint8Array(16)),
    (byte) => byte.toString(16).padStart(2, '0')).join('');
  const fields = () => [...form.elements].filter((field) => field.name && field.type !== 'hidden');
  const pictures = form.querySelector('[data-photos]');
  // As small as the board keeps them: a phone's pictures are ten times as large, and say where it was.
  const LONGEST = 2000;
  const shrunk = async (file) => {
    const whole = await createImageBitmap(file, { imageOrientation: 'from-image' });
    const scale = Math.min(1, LONGEST / Math.max(whole.width, whole.height));
    const canvas = document.createElement('canvas');
    canvas.width = Math.round(whole.width * scale);
    canvas.height = Math.round(whole.height * scale);
    canvas.getContext('2d').drawImage(whole, 0, 0, canvas.width, canvas.height);
    return new Promise((resolve) => { canvas.toBlob(resolve, 'image/jpeg', 0.85); });
  };
  const fill = (values) => {
    for (const field of fields()) field.value = values[field.name] ?? '';
  };
  const say = (head, lines, isAlarm) => {
    told.className = isAlarm ? 'alarm' : 'done';
    told.setAttribute('role', isAlarm ? 'alert' : 'status');
    told.replaceChildren();
    const paragraph = document.createElement('p');
    paragraph.textContent = head;
    told.append(paragraph);
    if (lines.length) {
      const list = document.createElement('ul');
      for (const line of lines) {
        const entry = document.createElement('li');
        entry.textContent = line;
        list.append(entry);
      }
      told.append(list);
    }
    told.hidden = false;
  };

  const askWhatWasLearned = (visit) => {
    const ask = document.createElement('form');
    ask.method = 'post';
    ask.action = '/learned';
    for (const [name, value] of [['csrf', form.elements.csrf.value], ['visit_id', visit]]) {
      const field = document.createElement('input');
      Object.assign(field, { type: 'hidden', name, value });
      ask.append(field);
    }
    const button = document.createElement('button');
    button.className = 'plain';
    button.textContent = 'What the forecast learned';
    ask.append(button);
    told.append(ask);
  };

  // 'sent', 'faulty', or why it has to wait.
  const send = async (item) => {
    const post = (token) => fetch('/api/results', {
      method: 'POST',
      headers: { 'content-type': 'application/json', 'x-csrf-token': token },
      body: JSON.stringify({ key: item.key, values: item.values }),
    });
    try {
      let answer = await post(form.elements.csrf.value);
      if (answer.status === 401 || answer.status === 403) {
        const session = await fetch('/api/session');
        if (!session.ok) return { state: 'log in again, then it is sent' };
        const { csrf, name } = await session.json();
        if (name !== item.who) return { state: `waits for ${item.who}` };
        form.elements.csrf.value = csrf;
        answer = await post(csrf);
      }
      if (answer.status === 400 || answer.status === 422) {
        return { state: 'faulty', faults: ['the board does not take these columns'] };
      }
      if (!answer.ok) return { state: 'the board could not take it yet' };
      const found = await answer.json();
      if (found.faults.length) return { state: 'faulty', ...found };
      // The result is recorded by now: what is sent again changes nothing.
      for (const photo of item.photos ?? []) {
        const kept = await fetch(`/api/photos/${encodeURIComponent(found.visit_id)}`, {
          method: 'POST',
          headers: { 'content-type': 'image/jpeg', 'x-csrf-token': form.elements.csrf.value },
          body: photo,
        });
        if (!kept.ok && kept.status !== 400) return { state: 'its pictures are still to be sent' };
      }
      return { state: 'sent', ...found };
    } catch {
      return { state: 'no connection' };
    }
  };

  const show = async () => {
    const items = await kept();
    waiting.replaceChildren();
    for (const item of items) {
      const entry = document.createElement('li');
      const faults = item.faults?.length ? ` To mend: ${item.faults.join('; ')}` : '';
      entry.textContent = `${item.values.vault_id}, ${item.values.visited_at.replace('T', ' ')}: `
        + `${item.faults?.length ? 'not taken.' : `kept on this device, ${item.why}.`}${faults} `;
      if (item.faults?.length) {
        const button = document.createElement('button');
        button.type = 'button';
        button.textContent = 'Mend';
        button.addEventListener('click', async () => {
          fill(item.values);
          await drop(item.key);
          await show();
          form.elements.vault_id.focus();
        });
        entry.append(button);
      }
      waiting.append(entry);
    }
    document.getElementById('waits').hidden = items.length === 0;
    document.documentElement.dataset.waiting = items.length;
  };

  const drain = async () => {
    if (sending) return;
    sending = true;
    try {
      for (const item of await kept()) {
        if (item.faults?.length || item.who !== who) continue;
        const found = await send(item);
        if (found.state === 'sent') await drop(item.key);
        else if (found.state === 'faulty') await keep({ ...item, faults: found.faults });
        else {
          await keep({ ...item, why: found.state });
          break;
        }
      }
    } finally {
      sending = false;
    }
    await show();
  };

  form.addEventListener('submit', async (event) => {
    event.preventDefault();
    const button = form.querySelector('button');
    button.disabled = true;
    const values = Object.fromEntries(fields().map((field) => [field.name, field.value]));
    const photos = [];
    for (const file of pictures?.files ?? []) {
      try {
        photos.push(await shrunk(file));
      } catch {
        say(`${file.name} is no picture that can be read.`, ['Choose others, or none.'], true);
        button.disabled = false;
        return;
      }
    }
    const item = {
      key: form.elements.key.value, values, photos, who, at: Date.now(), why: 'not sent yet',
    };
    try {
      await keep(item);
    } catch {
      // Nowhere to keep it: the form is sent as any other.
      form.submit();
      return;
    }
    const found = await send(item);
    if (found.state === 'faulty') {
      await drop(item.key);
      say('Not recorded yet. To mend:', found.faults, true);
      form.elements.key.value = newKey();
    } else {
      if (found.state === 'sent') {
        await drop(item.key);
        const lines = [...(found.differs ? [`Other than planned: ${found.differs}`] : []), ...found.doubts];
        say(`Recorded as ${found.visit_id}.`, lines, false);
        if ('learns' in form.dataset) askWhatWasLearned(found.visit_id);
      } else {
        await keep({ ...item, why: found.state });
        say(`Kept on this device: ${found.state}. It is sent when the board can be reached.`, [], false);
      }
      fill({ visited_at: values.visited_at });
      if (pictures) pictures.value = '';
      form.elements.key.value = newKey();
      form.elements.vault_id.focus();
    }
    button.disabled = false;
    await show();
  });

  // Without a connection the page comes from this device, whatever vault it was asked for.
  const named = decodeURIComponent(location.pathname.replace(/^\/record\/?/, ''));
  if (named && form.elements.vault_id.value === '') form.elements.vault_id.value = named;
  // A page kept on this device holds the key of the form it was made with.
  form.elements.key.value = newKey();
  addEventListener('online', drain);
  setInterval(drain, EVERY_MS);
  // Ready to type in at once, however much is still to be sent.
  show().then(() => { document.documentElement.dataset.outbox = 'ready'; }).then(drain);
  if (navigator.serviceWorker) navigator.serviceWorker.register('/worker.js');
})();
