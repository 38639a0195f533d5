// The socket: wishes go out one at a time, pictures come in. See flatten/page/wire.py for the message.

const KINDS = { f4: Float32Array, i2: Int16Array, u1: Uint8Array };

export function split(buffer) {
  const length = new DataView(buffer).getUint32(0, true);
  const head = JSON.parse(new TextDecoder().decode(new Uint8Array(buffer, 4, length)));
  const arrays = {};
  for (const [name, [kind, at, size]] of Object.entries(head.arrays)) {
    arrays[name] = new KINDS[kind](buffer, 4 + length + at, size);
  }
  return { head, arrays };
}

export class Link {
  // hear: {picture(head, arrays), words(plain), state(text, isUp)}
  constructor(hear) {
    this.hear = hear;
    this.number = 0;
    this.waiting = null; // wish that goes out when the last one is answered
    this.asked = 0;
    this.sent = 0;
    this.wait = 500;
    this.open();
  }

  open() {
    this.socket = new WebSocket(`${location.protocol === "https:" ? "wss" : "ws"}://${location.host}/link`);
    this.socket.binaryType = "arraybuffer";
    this.socket.onopen = () => { this.wait = 500; this.asked = this.number; this.hear.state("connected", true); };
    this.socket.onmessage = (event) => this.take(event.data);
    this.socket.onclose = () => {
      this.hear.state("connection lost, trying again", false);
      setTimeout(() => this.open(), this.wait);
      this.wait = Math.min(2 * this.wait, 8000);
    };
  }

  take(data) {
    if (typeof data === "string") { this.hear.words(JSON.parse(data)); return; }
    const { head, arrays } = split(data);
    if (head.answers >= this.number && this.asked !== this.number) {
      this.asked = this.number;
      this.took = performance.now() - this.sent;
    }
    this.hear.picture(head, arrays);
    if (this.waiting && this.asked === this.number) {
      const wish = this.waiting;
      this.waiting = null;
      this.send(wish);
    }
  }

  send(wish) {
    if (this.socket.readyState !== WebSocket.OPEN) return;
    this.number += 1;
    this.sent = performance.now();
    this.socket.send(JSON.stringify({ id: this.number, ...wish }));
  }

  // of a movement: while an answer is awaited only the last position is kept
  move(wish) {
    if (this.asked === this.number) this.send(wish); else this.waiting = wish;
  }

  // the end of a movement, or a deed: nothing older may come after it
  end(wish) {
    this.waiting = null;
    this.send(wish);
  }
}
