"""Intel"""
from pathlib import Path
def read_hex(file: Path) -> bytes:
    memory = bytearray(); base=0
    for line in file.read_text().split():
        r=bytes.fromhex(line[1:])
        n,a,k,d=r[0],int.from_bytes(r[1:3],'big'),r[3],r[4:-1]
        if k==2: base=int.from_bytes(d,'big')*16
        if k==4: base=int.from_bytes(d,'big')<<16
        if k==0:
            memory.extend(b'\xff'*(base+a+n-len(memory))); memory[base+a:base+a+n]=d
    return bytes(memory)
