// A value that tells those who watch it when it is set.

export function signal(value) {
  const watchers = new Set();
  return {
    get: () => value,
    set(next) {
      value = next;
      for (const watcher of watchers) watcher(value);
    },
    watch(watcher) {
      watchers.add(watcher);
      watcher(value);
    },
  };
}

// A setting that this browser remembers; where it may not, it lasts as long as the page.
export function remembered(name, fallback) {
  let first = fallback;
  try {
    const told = localStorage.getItem(`girthstrip.${name}`);
    if (told !== null) first = JSON.parse(told);
  } catch {
    first = fallback;
  }
  const held = signal(first);
  held.watch((value) => {
    try {
      localStorage.setItem(`girthstrip.${name}`, JSON.stringify(value));
    } catch {
      // private windows may refuse: nothing depends on it
    }
  });
  return held;
}
