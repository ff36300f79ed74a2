// Follows the state of a desk on the server until everything is ready.
//
// onState gets each new state; onGone is called when the desk was put away. Ends when
// wanted() is false, when the page has done with the desk (204, or another one was laid out:
// what then still waits to be asked is not asked), or when the state is done and enough(state)
// says so.
async function followDesk(base, { wanted, onState, onGone, enough = () => true }) {
  const asking = new AbortController();
  const leave = ({ detail }) => detail !== base && asking.abort();
  window.addEventListener("loupebook-desk", leave);
  try {
    await followStates(base, asking.signal, { wanted, onState, onGone, enough });
  } finally {
    window.removeEventListener("loupebook-desk", leave);
  }
}

async function followStates(base, signal, { wanted, onState, onGone, enough }) {
  let version = -1;
  while (wanted()) {
    const answer = await fetch(`${base}state?version=${version}`, { signal }).catch(() => null);
    if (signal.aborted || !wanted()) return;
    if (answer?.status === 204) return;
    if (answer?.status === 410) return onGone();
    if (!answer?.ok) {
      await new Promise((then) => setTimeout(then, 1500));
      continue;
    }
    const state = await answer.json();
    version = state.version;
    onState(state);
    if (state.done && enough(state)) return;
  }
}
