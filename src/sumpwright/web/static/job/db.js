// What the device keeps: entries not yet sent, photographs not yet sent, jobs as last seen.
// Where the browser keeps nothing (private windows, a full disk) the page itself does, and says so.

const NAME = "sumpwright";
const VERSION = 1;
let opened = null;

function open() {
  opened ??= new Promise((resolve, reject) => {
    const request = indexedDB.open(NAME, VERSION);
    request.onupgradeneeded = () => {
      const db = request.result;
      const waiting = db.createObjectStore("waiting", { keyPath: "n", autoIncrement: true });
      waiting.createIndex("job", "job");
      const pictures = db.createObjectStore("pictures", { keyPath: "n", autoIncrement: true });
      pictures.createIndex("job", "job");
      db.createObjectStore("jobs", { keyPath: "job" });
    };
    request.onsuccess = () => resolve(request.result);
    request.onerror = () => reject(request.error);
  });
  return opened;
}

/** Do something in one transaction; resolves when it is on the disk. */
async function within(stores, mode, work) {
  const db = await open();
  return new Promise((resolve, reject) => {
    const transaction = db.transaction(stores, mode, { durability: "strict" });
    let result;
    transaction.oncomplete = () => resolve(result);
    transaction.onabort = () => reject(transaction.error ?? new Error("aborted"));
    transaction.onerror = () => reject(transaction.error);
    work(transaction, (value) => {
      result = value;
    });
  });
}

const page = { waiting: new Map(), pictures: new Map(), jobs: new Map() };
let last = 0;
const other = typeof BroadcastChannel === "function" ? new BroadcastChannel(NAME) : null;
const hearing = new Set();
other?.addEventListener("message", ({ data }) => {
  for (const hear of hearing) hear(data);
});

/** Tell the other pages of this device that what is kept for a job has changed. */
export function tellOthers(job) {
  other?.postMessage(job);
}

/** Hear when another page of this device changed what is kept. */
export function hearOthers(hear) {
  hearing.add(hear);
}
let onDisk = true;

/** Whether what is kept would outlive this page. */
export function keeps() {
  return onDisk;
}

/** Take along what is on the disk; should it be sent again from there later, it is known by its id. */
async function takeAlong() {
  for (const [store, records] of Object.entries(page)) {
    const found = await within([store], "readonly", (transaction, give) => {
      const request = transaction.objectStore(store).getAll();
      request.onsuccess = () => give(request.result);
    });
    for (const record of found) records.set(keyOf(store, record), record);
  }
}

async function either(onTheDisk, inThePage) {
  if (onDisk) {
    try {
      return await onTheDisk();
    } catch (error) {
      console.warn("kept in this page only", error);
      onDisk = false;
      await takeAlong().catch(() => null);
    }
  }
  return inThePage();
}

const keyOf = (store, record) => (store === "jobs" ? record.job : (record.n ??= 1e9 + (last += 1)));

/** Keep records at the end of a store, all of them or none. */
export function add(store, records) {
  return either(
    () => within([store], "readwrite", (transaction) => {
      for (const record of records) transaction.objectStore(store).add(record);
    }),
    () => {
      for (const record of records) page[store].set(keyOf(store, record), record);
    },
  );
}

/** Put a record in place of the one with its key. */
export function put(store, record) {
  return either(
    () => within([store], "readwrite", (transaction) => {
      transaction.objectStore(store).put(record);
    }),
    () => page[store].set(keyOf(store, record), record),
  );
}

/** Remove records by their keys. */
export function remove(store, keys) {
  return either(
    () => within([store], "readwrite", (transaction) => {
      for (const key of keys) transaction.objectStore(store).delete(key);
    }),
    () => {
      for (const key of keys) page[store].delete(key);
    },
  );
}

/** The records of a job, in the order in which they were kept. */
export function ofJob(store, job) {
  return either(
    () => within([store], "readonly", (transaction, give) => {
      const request = transaction.objectStore(store).index("job").getAll(job);
      request.onsuccess = () => give(request.result);
    }),
    () => [...page[store].values()].filter((record) => record.job === job)
      .sort((a, b) => a.n - b.n),
  );
}

/** One record by its key. */
export function get(store, key) {
  return either(
    () => within([store], "readonly", (transaction, give) => {
      const request = transaction.objectStore(store).get(key);
      request.onsuccess = () => give(request.result ?? null);
    }),
    () => page[store].get(key) ?? null,
  );
}
