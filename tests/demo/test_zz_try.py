from datetime import datetime, UTC
import time
from rich.console import Console
from service.demo import filling
from service.storage.database import *
def test_x(fresh):
    db=Database(connect_engine(fresh.service, role=SERVICE_ROLE)); st=Database(connect_engine(fresh.owner, role=STEWARD_ROLE,pool_size=1))
    now=datetime.now(UTC)
    t=time.time(); f=filling.fill(db,st,now=now); print(time.time()-t, f.counts)
    t=time.time(); tab=filling.table(db,f,now=now); print("table",time.time()-t)
    Console(width=170).print(tab)
    print(filling.addresses(f,"http://127.0.0.1:8000"))
    db.close(); st.close()
