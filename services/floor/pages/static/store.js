// What was recorded and not sent yet, in the order in which it happened. It
// outlives the page and the browser (IndexedDB).
//
// An entry: {n, unit, step, action, path, body, at, label, revision, photos,
// stretch, state: "waiting" | "refused", problem: {what, do, meanwhile}}.

let opened;

function open() {
  opened ??= new Promise((resolve, reject) => {
    const request = indexedDB.open("tickover", 1);
    request.onupgradeneeded = () => request.result.createObjectStore("outbox", { keyPath: "n", autoIncrement: true });
    request.onsuccess = () => resolve(request.result);
    request.onerror = () => reject(request.error);
  });
  return opened;
}

async function run(mode, use) {
  const db = await open();
  return new Promise((resolve, reject) => {
    const transaction = db.transaction("outbox", mode, { durability: "strict" });
    const request = use(transaction.objectStore("outbox"));
    transaction.oncomplete = () => resolve(request.result);
    transaction.onabort = transaction.onerror = () => reject(transaction.error);
  });
}

export const all = () => run("readonly", (s) => s.getAll());
export const add = (entry) => run("readwrite", (s) => s.add(entry));
export const put = (entry) => run("readwrite", (s) => s.put(entry));
export const remove = (n) => run("readwrite", (s) => s.delete(n));
